/** Values held to the types that a DMN model declares (OMG DMN 1.5, sections 7.3.2 and 10.3.2.9.4). */
import { nameIn, parseTests, passesTests } from '../feel/evaluate.ts'
import { type FeelContext, type FeelValue, isList, kindOf, temporalKinds } from '../feel/values.ts'
import type { DmnModel, DmnType } from './model.ts'

type Types = DmnModel['types']

/**
 * A value as its declared type has it: one item of a list where one is asked for, and the other way round; null where it
 * is of another type, or not among the values that the type allows.
 */
export function typedValue(types: Types, value: FeelValue, type: string | undefined): FeelValue {
  const definition = type === undefined ? undefined : types.get(type)
  if (definition) return asDefined(types, value, definition)
  return type === undefined ? value : asBuiltIn(value, type)
}

function asDefined(types: Types, value: FeelValue, definition: DmnType): FeelValue {
  const { base, isList: wantsList, values, members } = definition
  if (value === null || kindOf(value) === 'function') return value
  if (wantsList) {
    const item = { ...definition, isList: false }
    return (isList(value) ? value : [value]).map((one) => asDefined(types, one, item))
  }
  const made = members.size === 0 ? typedValue(types, value, base) : asMembers(types, value, members)
  return made !== null && isAllowed(made, values) ? made : null
}

function asMembers(types: Types, value: FeelValue, members: DmnType['members']): FeelValue {
  const single = isList(value) && value.length === 1 ? (value[0] ?? null) : value
  if (kindOf(single) !== 'context') return null
  const { entries } = single as FeelContext
  const typed = [...members].map(([name, member]): [string, FeelValue] => {
    return [nameIn(name), asDefined(types, entries.get(nameIn(name)) ?? null, member)]
  })
  return { kind: 'context', entries: new Map([...entries, ...typed]) }
}

function isAllowed(value: FeelValue, values: string | undefined): boolean {
  if (values === undefined || values.trim() === '') return true
  const parsed = parseTests(values, {})
  return !('tree' in parsed) || passesTests(parsed.tree, value, new Map())
}

/** Names of the built-in types; older versions of the standard wrote some of them in one word. */
const OLDER: Readonly<Record<string, string>> = {
  dateTime: 'date and time',
  dayTimeDuration: 'days and time duration',
  yearMonthDuration: 'years and months duration',
}

const builtInTypes: ReadonlySet<string> = new Set(['number', 'string', 'boolean', ...temporalKinds])

function asBuiltIn(value: FeelValue, type: string): FeelValue {
  const wanted = OLDER[type] ?? type
  if (value === null || !builtInTypes.has(wanted)) return value
  const single = isList(value) && value.length === 1 ? (value[0] ?? null) : value
  return kindOf(single) === wanted ? single : null
}

/** The built-in type that values of a type are in the end, and what its members are; undefined where it says nothing. */
export function typeOf(types: Types, type: string | undefined): DmnType | undefined {
  const definition = type === undefined ? undefined : types.get(type)
  if (!definition) {
    return type === undefined
      ? undefined
      : { base: OLDER[type] ?? type, isList: false, values: undefined, members: new Map() }
  }
  const beneath =
    definition.members.size === 0 && definition.base !== undefined ? typeOf(types, definition.base) : undefined
  return beneath ? { ...beneath, isList: definition.isList || beneath.isList } : definition
}
