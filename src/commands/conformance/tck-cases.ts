/**
 * Test files of the DMN Technology Compatibility Kit: the inputs of each test, and what each decision must come to. The
 * kit's files are read where they lie; none is part of this project.
 */
import { absolute, compare, type Decimal, decimal, parseDecimal, subtract } from '../../exact/decimal.ts'
import type { XmlElement } from '../../exact/xml.ts'
import { all, type DmnModel, type DmnType, first } from '../../rules/dmn/model.ts'
import { typeOf } from '../../rules/dmn/types.ts'
import { nameIn } from '../../rules/feel/evaluate.ts'
import { readAnyTemporal } from '../../rules/feel/temporal.ts'
import { equal, type FeelValue, isList, isNumber, kindOf } from '../../rules/feel/values.ts'

export interface TckTest {
  readonly id: string
  readonly inputs: ReadonlyMap<string, Given>
  readonly results: readonly { readonly decision: string; readonly expected: Given }[]
  /** What of it is not read. */
  readonly unread: string | undefined
}

/** A value as a file writes it; a text without a type is read as the model types it. */
export type Given =
  | null
  | { readonly text: string; readonly type: string | undefined }
  | readonly Given[]
  | { readonly members: ReadonlyMap<string, Given> }

const TYPE = '{http://www.w3.org/2001/XMLSchema-instance}type'
const NIL = '{http://www.w3.org/2001/XMLSchema-instance}nil'

export function readTests(root: XmlElement): TckTest[] {
  return all(root, 'testCase').map((test) => {
    const invoked = test.attributes.get('invocableName') ?? test.attributes.get('type')
    const results = all(test, 'resultNode').map((node) => {
      const expected = first(node, 'expected')
      const isError = node.attributes.get('errorResult') === 'true'
      return { decision: node.attributes.get('name') ?? '', expected: expected && !isError ? givenIn(expected) : null }
    })
    return {
      id: test.attributes.get('id') ?? '',
      inputs: new Map(all(test, 'inputNode').map((node) => [nameIn(node.attributes.get('name') ?? ''), givenIn(node)])),
      results,
      unread:
        invoked === undefined || invoked === 'decision'
          ? undefined
          : `the test asks for '${invoked}', which is no decision`,
    }
  })
}

/** What an element holds: one value, a list of items, or the members of a context. */
function givenIn(element: XmlElement): Given {
  const list = first(element, 'list')
  if (list) return list.attributes.get(NIL) === 'true' ? null : all(list, 'item').map(givenIn)
  const members = all(element, 'component')
  if (members.length > 0) {
    return { members: new Map(members.map((one) => [nameIn(one.attributes.get('name') ?? ''), givenIn(one)])) }
  }
  const value = first(element, 'value')
  if (!value || value.attributes.get(NIL) === 'true') return null
  return { text: value.text, type: value.attributes.get(TYPE)?.replace(/^.*:/, '') }
}

/** The inputs of a test as values of the types that the model gives them. */
export function inputsOf({ inputs }: TckTest, model: DmnModel): ReadonlyMap<string, FeelValue> {
  const types = new Map(model.inputs.map(({ name, type }) => [nameIn(name), typeOf(model.types, type)]))
  return new Map([...inputs].map(([name, given]) => [name, givenAs(given, types.get(name), model)]))
}

function isMany(given: Given): given is readonly Given[] {
  return Array.isArray(given)
}

function givenAs(given: Given, type: DmnType | undefined, model: DmnModel): FeelValue {
  if (given === null) return null
  if (isMany(given)) return given.map((item) => givenAs(item, type, model))
  if ('text' in given) return textAs(given.text, given.type ?? type?.base ?? 'string')
  const entries = [...given.members].map(([name, inner]): [string, FeelValue] => {
    const member = type?.members.get(name)
    const ofMember = member && member.members.size === 0 ? typeOf(model.types, member.base) : member
    return [name, givenAs(inner, ofMember, model)]
  })
  return { kind: 'context', entries: new Map(entries) }
}

/** A text as a value of a type of XML Schema, or of one of FEEL's own. */
function textAs(text: string, type: string): FeelValue {
  switch (type) {
    case 'string':
    case 'Any':
      return text
    case 'boolean':
      return text.trim() === 'true' || text.trim() === '1'
    case 'date':
    case 'time':
    case 'dateTime':
    case 'duration':
    case 'date and time':
    case 'days and time duration':
    case 'years and months duration':
      return readAnyTemporal(text.trim())
    default:
      return parseDecimal(text.trim().replace(/^\+/, '')) ?? null
  }
}

/** To eight places, as far as the kit's own runner compares numbers (from memory, verify). */
const APART_MAX = decimal('0.00000001')

/** Whether a result is what a test expects. */
export function isExpected(result: FeelValue, expected: Given): boolean {
  if (expected === null) return result === null
  if (isMany(expected)) {
    return (
      isList(result) &&
      result.length === expected.length &&
      result.every((item, index) => isExpected(item, expected[index] ?? null))
    )
  }
  if ('text' in expected) {
    const wanted = textAs(expected.text, expected.type ?? kindOf(result))
    if (isNumber(result) && isNumber(wanted)) return compare(absolute(subtract(result, wanted)), APART_MAX) <= 0
    return equal(result, wanted) === true
  }
  const entries = entriesOf(result)
  if (entries?.size !== expected.members.size) return false
  return [...entries].every(([name, value]) => isExpected(value, expected.members.get(name) ?? null))
}

/** What a test expects, for a person to read. */
export function shownGiven(given: Given): string {
  if (given === null) return 'null'
  if (isMany(given)) return `[${given.map(shownGiven).join(', ')}]`
  if ('text' in given) return given.type === 'string' ? JSON.stringify(given.text) : given.text
  return `{${[...given.members].map(([name, inner]) => `${name}: ${shownGiven(inner)}`).join(', ')}}`
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
