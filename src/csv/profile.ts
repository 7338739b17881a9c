import { z } from 'zod'
import { relations } from '../exact/quantity.ts'
import { TextWire } from '../exact/text.ts'
import { csvEncodings, csvSeparators } from './grid.ts'

/**
 * How the files of one station are to be read: one row is one run. `template` is an upload with all that is the same in
 * every row; each column puts its cells at a JSON pointer (RFC 6901) in a copy of it. The object that holds the member
 * must stand in the template, so a slip in a pointer cannot make a member that nobody reads.
 */
const PointerWire = z
  .string()
  .regex(/^(?:\/[A-Za-z0-9-]+)+$/, 'a pointer names members and positions: /steps/0/startedAt')
/** Longest header, in characters. */
export const HEADER_MAX = 200
const HeaderWire = TextWire(HEADER_MAX)

/** Texts such as `OL` that a tester writes where its range ends, and the bound that each stands for. */
const OverloadWire = z.strictObject({ relation: z.enum(relations), value: z.string(), unit: z.string().min(1) })

const column = { header: HeaderWire, at: PointerWire, mayBeEmpty: z.boolean().optional() }

export const CsvColumnWire = z.discriminatedUnion('as', [
  z.strictObject({ ...column, as: z.literal('text') }),
  /** Words of the station, each with ours: `PASS` to `pass`. */
  z.strictObject({ ...column, as: z.literal('word'), words: z.record(z.string(), z.string()) }),
  z.strictObject({ ...column, as: z.literal('count') }),
  z.strictObject({ ...column, as: z.literal('instant') }),
  z.strictObject({
    ...column,
    as: z.literal('quantity'),
    unit: z.union([z.string().min(1), z.strictObject({ header: HeaderWire })]),
    overloads: z.record(z.string(), OverloadWire).optional(),
  }),
])
export type CsvColumn = z.infer<typeof CsvColumnWire>

// The document shows no recursive schema for what an upload's own schema says.
const TemplateWire = z
  .record(z.string(), z.json())
  .meta({ 'x-published': { type: 'object', additionalProperties: true } })

/** The members of a profile, alone or with what names it. */
export const profileMembers = {
  encoding: z.enum(csvEncodings),
  separator: z.enum(csvSeparators),
  decimalMark: z.enum(['.', ',']),
  lastLineMayBeOpen: z
    .boolean()
    .optional()
    .describe('The last line needs no line end; a file that was cut off within it then looks whole'),
  template: TemplateWire.describe('An upload with all that is the same in every row'),
  columns: z.array(CsvColumnWire).min(1).max(1000),
  ignored: z.array(HeaderWire).max(1000).optional(),
}

export const CsvProfileWire = z.strictObject(profileMembers).check(({ value, issues }) => {
  issues.push(
    ...profileIssues(value).map(({ path, message }) => ({ code: 'custom' as const, input: value, path, message })),
  )
})
export type CsvProfile = z.infer<typeof CsvProfileWire>

/** What is wrong with a profile whose members are well formed one by one. */
export function profileIssues(profile: CsvProfile): { path: (string | number)[]; message: string }[] {
  const issues: { path: (string | number)[]; message: string }[] = []
  const complain = (path: (string | number)[], message: string) => issues.push({ path, message })
  if (profile.separator === profile.decimalMark) complain(['decimalMark'], 'separator and decimal mark must differ')
  const pointers = new Set<string>()
  for (const [index, { at }] of profile.columns.entries()) {
    if (holderOf(profile.template, at) === undefined)
      complain(['columns', index, 'at'], 'the template holds no object there')
    if (pointers.has(at)) complain(['columns', index, 'at'], 'another column puts its cells there')
    pointers.add(at)
  }
  return issues
}

type Json = z.infer<ReturnType<typeof z.json>>

/** The object of `root` that holds, or would hold, the member at a pointer, and the name of that member. */
export function holderOf(
  root: Json,
  pointer: string,
): { holder: { [member: string]: Json }; member: string } | undefined {
  const path = pointer.slice(1).split('/')
  const member = path.pop()
  let holder: Json | undefined = root
  for (const token of path) {
    if (typeof holder !== 'object' || holder === null || !Object.hasOwn(holder, token)) return undefined
    holder = (holder as { [member: string]: Json })[token]
  }
  if (member === undefined || typeof holder !== 'object' || holder === null || Array.isArray(holder)) return undefined
  return { holder, member }
}
