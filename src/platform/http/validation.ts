import type { FastifySchemaCompiler } from 'fastify'
import type { z } from 'zod'
import { safeParse } from 'zod/v4/core'
import { plainIssue } from '../plain-issues.ts'
import { Problem, type ProblemError, type ProblemPlace, pointerOf } from '../problems.ts'

const ISSUES_MAX = 100

const PLACES: Readonly<Record<string, ProblemPlace>> = {
  body: 'body',
  params: 'path',
  querystring: 'query',
  headers: 'header',
}

/** Validates one part of a request with its Zod schema; a refusal is a `Problem` that names every refused value. */
export const validatorCompiler: FastifySchemaCompiler<z.ZodType> = ({ schema, httpPart }) => {
  const place = PLACES[httpPart ?? 'body'] ?? 'body'
  const key = place === 'body' ? 'field-invalid' : 'parameter-invalid'
  return (value: unknown) => {
    const read = safeParse(schema, value, { error: plainIssue })
    return read.success
      ? { value: read.data }
      : { error: new Problem(key, { errors: describeIssues(read.error.issues, value, place) }) }
  }
}

type Issue = z.core.$ZodIssue

/** Zod's issues as our entries: one for each refused value and each unknown member, a hundred at most. */
export function describeIssues(issues: readonly Issue[], value: unknown, place: ProblemPlace): ProblemError[] {
  const entries: ProblemError[] = []
  for (const issue of issues) {
    collect(issue, [], value, place, entries)
    if (entries.length >= ISSUES_MAX) {
      break
    }
  }
  return entries.slice(0, ISSUES_MAX)
}

function collect(
  issue: Issue,
  parents: readonly PropertyKey[],
  value: unknown,
  place: ProblemPlace,
  into: ProblemError[],
): void {
  const path = [...parents, ...issue.path]
  const at = valueAt(value, path)
  const push = (where: readonly PropertyKey[], code: string, detail: string) =>
    into.push({ pointer: pointerOf(where.map(tokenOf)), code, detail, in: place })
  const pushPresent = (detail: string) =>
    at === undefined ? push(path, 'field-missing', MISSING) : push(path, 'field-invalid', detail)
  switch (issue.code) {
    case 'unrecognized_keys':
      for (const key of issue.keys.slice(0, ISSUES_MAX)) {
        push([...path, key], 'field-unknown', 'There is no such field here.')
      }
      return
    case 'invalid_union': {
      const branch = nearestBranch(issue.errors)
      if (at !== undefined && branch !== undefined) {
        for (const inner of branch.slice(0, ISSUES_MAX)) {
          collect(inner, path, value, place, into)
        }
      } else if (at === undefined) {
        push(path, 'field-missing', MISSING)
      } else {
        push(path, 'field-invalid', unionDetail(issue))
      }
      return
    }
    case 'invalid_key':
      for (const inner of issue.issues.slice(0, ISSUES_MAX)) {
        push(path, 'field-invalid', `This name is not valid: ${inner.message}`)
      }
      return
    case 'invalid_element':
      for (const inner of issue.issues.slice(0, ISSUES_MAX)) {
        collect(inner, path, value, place, into)
      }
      return
    case 'invalid_type':
      pushPresent(typeDetail(issue.expected, at))
      return
    case 'invalid_value':
      pushPresent(choiceDetail(issue.values))
      return
    case 'custom': {
      // Schemas that know better what is wrong than "not valid" say it in this member, such as `offset-missing`.
      const refused: unknown = issue.params?.['refused']
      push(path, typeof refused === 'string' ? refused : 'field-invalid', issue.message)
      return
    }
    default:
      push(path, 'field-invalid', issue.message)
  }
}

const MISSING = 'This field is required.'

/** Of several allowed shapes the one the value comes nearest to: whose first refusal lies deepest. */
function nearestBranch(branches: readonly (readonly Issue[])[]): readonly Issue[] | undefined {
  let nearest: readonly Issue[] | undefined
  let depth = 0 // A branch refused at its own root says nothing about the fields inside.
  for (const branch of branches) {
    const deepest = Math.max(
      0,
      ...branch.map((issue) => issue.path.length + (issue.code === 'unrecognized_keys' ? 1 : 0)),
    )
    if (deepest > depth || (deepest === depth && nearest !== undefined && branch.length < nearest.length)) {
      nearest = branch
      depth = deepest
    }
  }
  return nearest ?? (branches.length === 1 ? branches[0] : undefined)
}

function unionDetail(issue: Extract<Issue, { code: 'invalid_union' }>): string {
  if ('options' in issue && issue.options !== undefined) {
    return choiceDetail(issue.options)
  }
  const choices = issue.errors.flat().flatMap((inner) => (inner.code === 'invalid_value' ? inner.values : []))
  return choices.length > 0 ? choiceDetail(choices) : 'The value has none of the allowed shapes.'
}

function choiceDetail(values: readonly unknown[]): string {
  const listed = values.slice(0, 20).map((choice) => JSON.stringify(choice))
  return `Expected ${listed.length === 1 ? '' : 'one of '}${listed.join(', ')}.`
}

function typeDetail(expected: string, value: unknown): string {
  const names: Record<string, string> = {
    int: 'a whole number',
    array: 'a list',
    object: 'an object',
    record: 'an object',
  }
  const got = kindOf(value)
  // A number the reader could not hold as a safe integer: no schema but a quantity's value takes a fraction.
  return got === 'a number' && expected === 'number'
    ? 'Expected a whole number.'
    : `Expected ${names[expected] ?? `a ${expected}`}, got ${got}.`
}

function kindOf(value: unknown): string {
  if (value === null) {
    return 'null'
  }
  if (Array.isArray(value)) {
    return 'a list'
  }
  if (typeof value === 'object') {
    const prototype: unknown = Object.getPrototypeOf(value)
    // Numbers that a double could not hold exactly are objects of the reader.
    return prototype === null || prototype === Object.prototype ? 'an object' : 'a number'
  }
  return `a ${typeof value}`
}

function valueAt(value: unknown, path: readonly PropertyKey[]): unknown {
  let at: unknown = value
  for (const token of path) {
    if (typeof at !== 'object' || at === null || !Object.hasOwn(at, token)) {
      return undefined
    }
    at = (at as Record<PropertyKey, unknown>)[token]
  }
  return at
}

function tokenOf(key: PropertyKey): string | number {
  return typeof key === 'symbol' ? String(key) : key
}
