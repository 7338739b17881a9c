import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire } from '../exact/text.ts'
import { InstantWire, writeInstant } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import type { Publication } from './timeline.ts'
import { type EditionContent, EditionContentWire } from './words.ts'

/** draft: still written. in-review: frozen, waiting for the second person. published: in effect from its instant on. */
export const editionStates = ['draft', 'in-review', 'published'] as const
export type EditionState = (typeof editionStates)[number]

/** The acts on an edition. The digest binds a publication, so a draft need not be submitted first. */
export const editionLifecycle = [
  { from: 'draft', action: 'replaceEdition', to: 'draft', who: 'write' },
  { from: 'draft', action: 'submitEdition', to: 'in-review', who: 'write' },
  { from: 'draft', action: 'publishEdition', to: 'published', who: 'sign' },
  { from: 'in-review', action: 'publishEdition', to: 'published', who: 'sign' },
] as const

/** Numbers of editions are 32 bits in the database. */
export const EDITION_MAX = 2_147_483_647

/** An edition as stored. Instants are milliseconds since the epoch; what has not happened yet is null. */
export interface EditionRecord {
  readonly table: string
  readonly edition: number
  readonly state: EditionState
  readonly digest: string
  readonly content: EditionContent
  readonly changeReason: string | null
  readonly authors: readonly string[]
  readonly createdAt: number
  readonly submittedAt: number | null
  readonly submittedBy: string | null
  readonly publishedAt: number | null
  readonly publishedBy: string | null
  readonly publishedMeaning: string | null
  readonly effectiveFrom: number | null
  readonly bindsBecause: string | null
  /** The house's rules version that its publication became. */
  readonly publishedVersion: number | null
}

/** Freezes the content that has this digest. */

/** An edition as it is answered. What has not happened yet is null. */
export const EditionWire = z
  .strictObject({
    table: KeyWire,
    edition: z.int(),
    state: z.enum(editionStates),
    digest: DigestWire,
    content: EditionContentWire,
    changeReason: z.string().nullable(),
    authors: z.array(KeyWire),
    createdAt: InstantWire,
    submittedAt: InstantWire.nullable(),
    submittedBy: KeyWire.nullable(),
    publishedAt: InstantWire.nullable(),
    publishedBy: KeyWire.nullable(),
    publishedMeaning: z.string().nullable(),
    effectiveFrom: InstantWire.nullable(),
    bindsBecause: z.string().nullable(),
    /** The house's rules version that the publication became. */
    rulesVersion: z.int().nullable(),
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

/** The answer of every act on an edition and of every question for one. */
export function writeEdition(record: EditionRecord): Edition {
  const { createdAt, submittedAt, publishedAt, effectiveFrom, publishedVersion, authors, ...rest } = record
  return {
    ...rest,
    authors: [...authors],
    createdAt: writeInstant(createdAt),
    submittedAt: instantOrNull(submittedAt),
    publishedAt: instantOrNull(publishedAt),
    effectiveFrom: instantOrNull(effectiveFrom),
    rulesVersion: publishedVersion,
  }
}

/** A published edition with what it says. */
export interface PublishedEdition extends Publication {
  readonly content: EditionContent
  readonly digest: string
}

/** A published record as the timeline takes it; the database holds that a published one has all of these. */
export function publicationOf(record: EditionRecord): PublishedEdition {
  const { table, edition, effectiveFrom, publishedVersion, publishedAt, content, digest } = record
  if (effectiveFrom === null || publishedVersion === null || publishedAt === null) {
    throw new Error(`edition ${edition} of ${table} is published, yet without an instant or rules version`)
  }
  const bindsBecause = record.bindsBecause ?? undefined
  return { table, edition, effectiveFrom, publishedVersion, publishedAt, bindsBecause, content, digest }
}

export function editionNotFound(table: string, edition: number): Problem {
  return new Problem('edition-not-found', { detail: `There is no edition ${edition} of rule table ${table}.` })
}

export function ruleTableNotFound(table: string): Problem {
  return new Problem('rule-table-not-found', { detail: `There is no rule table ${table}.` })
}

function instantOrNull(at: number | null): string | null {
  return at === null ? null : writeInstant(at)
}
