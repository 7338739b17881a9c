import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { InstantWire, writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import {
  type DraftRecord,
  draftAnswer,
  type StoppedRecord,
  stoppedAnswer,
  writeStopped,
} from '../platform/versioned-words.ts'
import { tableWarningCodes } from './verify/report.ts'
import { type EditionContent, EditionContentWire } from './words.ts'

/**
 * draft: still written. in-review: frozen, waiting for the second person. published: in effect from its instant on.
 * rejected: sent back, and stays as it was read. cancelled: taken back before its instant.
 */
export const editionStates = ['draft', 'in-review', 'published', 'rejected', 'cancelled'] as const
export type EditionState = (typeof editionStates)[number]

export interface EditionKey {
  readonly table: string
  readonly edition: number
}

/** An edition as stored. Instants are milliseconds since the epoch; what has not happened yet is null. */
export interface EditionRecord extends EditionKey, DraftRecord<EditionState>, StoppedRecord {
  readonly content: EditionContent
  readonly publishedAt: number | null
  readonly publishedBy: string | null
  readonly publishedMeaning: string | null
  readonly effectiveFrom: number | null
  readonly bindsBecause: string | null
  /** The house's rules version that its publication became. */
  readonly rulesVersion: number | null
  /** What verification found suspicious when it was last submitted or published. */
  readonly tableWarnings: readonly EditionWarning[]
}

/** What is accepted in an edition and yet looks like a slip. */
export const EditionWarningWire = z
  .strictObject({
    pointer: z.string(),
    code: z.enum(['override-of-unknown-table', 'rows-not-binding', ...tableWarningCodes]),
    detail: z.string(),
  })
  .meta({ id: 'EditionWarning' })
export type EditionWarning = z.infer<typeof EditionWarningWire>

/** An edition as it is answered. What has not happened yet is null. */
export const EditionWire = z
  .strictObject({
    table: KeyWire,
    edition: z.int(),
    state: z.enum(editionStates),
    content: EditionContentWire,
    ...draftAnswer,
    publishedAt: InstantWire.nullable(),
    publishedBy: KeyWire.nullable(),
    publishedMeaning: z.string().nullable(),
    effectiveFrom: InstantWire.nullable(),
    bindsBecause: z.string().nullable(),
    /** The house's rules version that the publication became. */
    rulesVersion: z.int().nullable(),
    ...stoppedAnswer,
    warnings: z
      .array(EditionWarningWire)
      .describe('Of the table once it is submitted, of overrides as of now; none stands in the way of an act'),
  })
  .meta({ id: 'Edition' })
export type Edition = z.infer<typeof EditionWire>

/** A rule table and where its editions stand. */
export const RuleTableWire = z
  .strictObject({
    table: KeyWire,
    ruleSet: KeyWire,
    recordedAt: InstantWire,
    latestEdition: z.int(),
    /** The edition in effect now; null where none is published yet, or the first only takes effect later. */
    editionInEffect: z.int().nullable(),
  })
  .meta({ id: 'RuleTable' })
export type RuleTable = z.infer<typeof RuleTableWire>

/** A rule set and the tables that belong to it. */
export const RuleSetWire = z
  .strictObject({ ruleSet: KeyWire, recordedAt: InstantWire, tables: z.array(KeyWire) })
  .meta({ id: 'RuleSet' })
export type RuleSet = z.infer<typeof RuleSetWire>

/**
 * The answer of every act on an edition and of every question for one.
 * @param isTable whether there is a rule table of that key, with a draft at least
 */
export function writeEdition(record: EditionRecord, isTable: (table: string) => boolean): Edition {
  const { createdAt, submittedAt, publishedAt, effectiveFrom, authors, tableWarnings, ...rest } = record
  return {
    ...rest,
    authors: [...authors],
    createdAt: writeInstant(createdAt),
    submittedAt: writeInstantOrNull(submittedAt),
    publishedAt: writeInstantOrNull(publishedAt),
    effectiveFrom: writeInstantOrNull(effectiveFrom),
    ...writeStopped(record),
    warnings: [...overrideWarnings(record.content, isTable), ...bindingWarnings(record), ...tableWarnings],
  }
}

/** Tables may be written in any order, so that an override of one that is not there yet is no mistake by itself. */
function overrideWarnings({ overrides }: EditionContent, isTable: (table: string) => boolean): EditionWarning[] {
  return (overrides ?? []).flatMap(({ table }, index) => {
    if (isTable(table)) return []
    const detail = `There is no rule table ${table}, so that nothing is overridden.`
    return [{ pointer: `#/content/overrides/${index}/table`, code: 'override-of-unknown-table' as const, detail }]
  })
}

/** A table that only warns lets every plan through, and looks like one that does not. */
function bindingWarnings({ content, state, bindsBecause }: EditionRecord): EditionWarning[] {
  if ((bindsBecause ?? '').trim() !== '') return []
  const binding = new Set(
    content.sources
      .filter(({ use, verification }) => use === 'routine' && verification === 'verified')
      .flatMap(({ rows }) => rows),
  )
  const rows = content.rows.map(({ row }) => row).filter((row) => !binding.has(row))
  if (rows.length === 0) return []
  const unless = state === 'published' ? '' : ' unless the publication states bindsBecause'
  const named = rows.length > 5 ? `${rows.slice(0, 5).join(', ')} and ${rows.length - 5} more` : rows.join(', ')
  const detail = `No verified source about routine tests states ${named}: what they demand only warns and blocks no plan${unless}.`
  return [{ pointer: '#/content/sources', code: 'rows-not-binding', detail }]
}

/** How a sentence calls it. */
export function nameOf({ table, edition }: EditionKey): string {
  return `edition ${edition} of ${table}`
}

export function editionNotFound({ table, edition }: EditionKey): Problem {
  return new Problem('edition-not-found', { detail: `There is no edition ${edition} of rule table ${table}.` })
}

export function ruleTableNotFound(table: string): Problem {
  return new Problem('rule-table-not-found', { detail: `There is no rule table ${table}.` })
}
