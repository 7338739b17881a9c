/** What a schema refuses, in words of whoever sent it; undefined where Zod's own words will do. */
export function plainIssue(issue: {
  readonly code?: string
  readonly origin?: string
  readonly expected?: string
  readonly values?: readonly unknown[]
  readonly minimum?: number | bigint
  readonly maximum?: number | bigint
}): string | undefined {
  switch (issue.code) {
    case 'invalid_type':
      return issue.expected === undefined ? undefined : `must be ${kindOf(issue.expected)}`
    case 'invalid_value':
      return issue.values === undefined ? undefined : `must be one of ${issue.values.map(String).join(', ')}`
    case 'too_small':
      return `must ${bounded(issue.origin)} at least ${issue.minimum}${unitOf(issue.origin, issue.minimum)}`
    case 'too_big':
      return `must ${bounded(issue.origin)} at most ${issue.maximum}${unitOf(issue.origin, issue.maximum)}`
    default:
      return undefined
  }
}

const KINDS: Readonly<Record<string, string>> = {
  string: 'text',
  number: 'a number',
  int: 'a whole number',
  boolean: 'true or false',
  array: 'a list',
  object: 'an object',
  record: 'an object',
  null: 'null',
}

function kindOf(expected: string): string {
  return KINDS[expected] ?? expected
}

function bounded(origin: string | undefined): string {
  return origin === 'string' || origin === 'array' ? 'have' : 'be'
}

function unitOf(origin: string | undefined, count: number | bigint | undefined): string {
  const one = Number(count) === 1
  if (origin === 'string') return one ? ' character' : ' characters'
  if (origin === 'array') return one ? ' item' : ' items'
  return ''
}
