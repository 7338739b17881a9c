/**
 * Test files of the DMN Technology Compatibility Kit: the inputs of each test, and what each decision must come to. The
 * kit's files are read where they lie; none is part of this project.
 */
import { absolute, compare, type Decimal, decimal, parseDecimal, subtract } from '../../exact/decimal.ts'
import type { XmlElement } from '../../exact/xml.ts'
import { all, first } from '../../rules/dmn/model.ts'
import { readAnyTemporal } from '../../rules/feel/temporal.ts'
import { equal, type FeelValue, isList, isNumber, kindOf } from '../../rules/feel/values.ts'

export interface TckTest {
  readonly id: string
  readonly inputs: ReadonlyMap<string, FeelValue>
  readonly results: readonly { readonly decision: string; readonly expected: FeelValue }[]
  /** What of it is not read. */
  readonly unread: string | undefined
}

const TYPE = '{http://www.w3.org/2001/XMLSchema-instance}type'
const NIL = '{http://www.w3.org/2001/XMLSchema-instance}nil'

export function readTests(root: XmlElement): TckTest[] {
  return all(root, 'testCase').map((test) => {
    const invoked = test.attributes.get('invocableName') ?? test.attributes.get('type')
    const results = all(test, 'resultNode').map((node) => {
      const expected = first(node, 'expected')
      const isError = node.attributes.get('errorResult') === 'true'
      return { decision: node.attributes.get('name') ?? '', expected: expected && !isError ? valueIn(expected) : null }
    })
    return {
      id: test.attributes.get('id') ?? '',
      inputs: new Map(all(test, 'inputNode').map((node) => [node.attributes.get('name') ?? '', valueIn(node)])),
      results,
      unread:
        invoked === undefined || invoked === 'decision'
          ? undefined
          : `the test asks for '${invoked}', which is no decision`,
    }
  })
}

/** What an element holds: one value, a list of items, or the members of a context. */
function valueIn(element: XmlElement): FeelValue {
  const list = first(element, 'list')
  if (list) return list.attributes.get(NIL) === 'true' ? null : all(list, 'item').map(valueIn)
  const members = all(element, 'component')
  if (members.length > 0) {
    const entries = members.map((member): [string, FeelValue] => [member.attributes.get('name') ?? '', valueIn(member)])
    return { kind: 'context', entries: new Map(entries) }
  }
  const value = first(element, 'value')
  if (!value || value.attributes.get(NIL) === 'true') return null
  const type = value.attributes.get(TYPE)?.replace(/^.*:/, '')
  const text = value.text
  switch (type) {
    case undefined:
    case 'string':
      return text
    case 'boolean':
      return text.trim() === 'true' || text.trim() === '1'
    case 'date':
    case 'time':
    case 'dateTime':
    case 'duration':
      return readAnyTemporal(text.trim())
    default:
      return parseDecimal(text.trim().replace(/^\+/, '')) ?? null
  }
}

/** To eight places, as far as the kit's own runner compares numbers (from memory, verify). */
const APART_MAX = decimal('0.00000001')

/** Whether a result is what a test expects. */
export function isExpected(result: FeelValue, expected: FeelValue): boolean {
  if (isNumber(result) && isNumber(expected)) return compare(absolute(subtract(result, expected)), APART_MAX) <= 0
  if (isList(result) && isList(expected)) {
    return result.length === expected.length && result.every((item, index) => isExpected(item, expected[index] ?? null))
  }
  const [a, b] = [entriesOf(result), entriesOf(expected)]
  if (a && b) return a.size === b.size && [...a].every(([name, value]) => isExpected(value, b.get(name) ?? null))
  return equal(result, expected) === true
}

function entriesOf(value: FeelValue): ReadonlyMap<string, FeelValue> | undefined {
  return typeof value === 'object' && value !== null && !isList(value) && 'entries' in value ? value.entries : undefined
}

/** A value for a person to read. */
export function shown(value: FeelValue): string {
  if (value === null || typeof value === 'boolean') return `${value}`
  if (typeof value === 'string') return JSON.stringify(value)
  if (isList(value)) return `[${value.map(shown).join(', ')}]`
  if (isNumber(value)) return numberText(value)
  const entries = entriesOf(value)
  if (entries) return `{${[...entries].map(([name, inner]) => `${name}: ${shown(inner)}`).join(', ')}}`
  return kindOf(value)
}

function numberText(value: Decimal): string {
  return value.scale === 0 ? `${value.coefficient}` : `${value.coefficient}e-${value.scale}`
}
