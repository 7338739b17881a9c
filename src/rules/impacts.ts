import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { Problem } from '../platform/problems.ts'
import { type EditionKey, EditionWire } from './record.ts'

/**
 * checking: live revisions are gone through. studying: stored runs are, by its study. failed: it says nothing of the
 * revisions, since what it was asked about changed meanwhile.
 */
export const impactStates = ['checking', 'studying', 'done', 'failed'] as const
export type ImpactState = (typeof impactStates)[number]

/** Why an impact could not be worked out to its end. */
export const impactFailures = {
  'rules-changed': 'Rules or a product version were published while revisions were being checked; ask again.',
  'content-changed': 'The content of the edition was changed while revisions were being checked; ask again.',
} as const
export type ImpactFailure = keyof typeof impactFailures

/** What publishing an edition would do, in numbers. */
export interface ImpactFigures {
  /** Revisions in use or scheduled that would be blocked and are not yet. */
  readonly revisionsBlocked: number
  /** Revisions in review that could no longer be approved. */
  readonly revisionsUnapprovable: number
  readonly revisionsUncheckable: number
  readonly permitsBeyond: number
  /** Stored accepted runs that would fail or be invalid; null until the study has ended, or where it was ended early. */
  readonly runsAffected: number | null
}

/** An impact as stored. Instants are milliseconds since the epoch. */
export interface ImpactRecord extends EditionKey, ImpactFigures {
  readonly impact: string
  /** Of the edition's content. */
  readonly digest: string
  /** As the publication would state them; null: at once, and no reason. */
  readonly effectiveFrom: number | null
  readonly bindsBecause: string | null
  /** The rules that it was worked out with. */
  readonly rulesVersion: number
  readonly state: ImpactState
  readonly failure: ImpactFailure | null
  /** Goes through the stored runs. */
  readonly study: string
  readonly revisionsTotal: number
  readonly revisionsChecked: number
  /** The last revision looked at. */
  readonly cursorPlan: string | null
  readonly cursorRevision: number | null
  readonly askedAt: number
  readonly askedBy: string
  readonly endedAt: number | null
}

/** Members of an answer that holds figures. */
export const impactFigures = {
  revisionsBlocked: z.int().describe('In use or scheduled, and blocked by it first'),
  revisionsUnapprovable: z.int().describe('In review, and no longer to be approved'),
  revisionsUncheckable: z.int().describe('Which cannot be compared with any rule'),
  permitsBeyond: z.int().describe('Deviation permits that it would end'),
  runsAffected: z
    .int()
    .nullable()
    .describe('Stored accepted runs that would fail or be invalid; null until the study has ended'),
}

/** The figures of the newest impact that was asked for the content published. */
export const PublishedImpactWire = z
  .strictObject({
    impact: KeyWire,
    state: z.enum(impactStates),
    rulesVersion: z.int().describe('The rules that it was worked out with'),
    current: z
      .boolean()
      .describe('It was asked with the rules, the effective instant and the binding of this publication'),
    ...impactFigures,
  })
  .meta({ id: 'PublishedImpact' })
export type PublishedImpact = z.infer<typeof PublishedImpactWire>

/** The answer to a publication: the edition, and what was found when its impact was asked for. */
export const PublishedEditionWire = z
  .strictObject({
    ...EditionWire.shape,
    impact: PublishedImpactWire.nullable().describe('null: nobody asked what this content would do'),
  })
  .meta({ id: 'PublishedEdition' })
export type PublishedEdition = z.infer<typeof PublishedEditionWire>

/** What a publication repeats of an impact. `rulesVersion` is the one before the publication. */
export function publishedImpact(
  record: ImpactRecord,
  published: {
    readonly rulesVersion: number
    readonly effectiveFrom: number | 'at-once'
    readonly bindsBecause: string | null
  },
): PublishedImpact {
  const { impact, state, rulesVersion, effectiveFrom, bindsBecause } = record
  const current =
    rulesVersion === published.rulesVersion &&
    (effectiveFrom ?? 'at-once') === published.effectiveFrom &&
    (bindsBecause === null) === (published.bindsBecause === null)
  return { impact, state, rulesVersion, current, ...figuresOf(record) }
}

export function figuresOf(record: ImpactFigures): ImpactFigures {
  const { revisionsBlocked, revisionsUnapprovable, revisionsUncheckable, permitsBeyond, runsAffected } = record
  return { revisionsBlocked, revisionsUnapprovable, revisionsUncheckable, permitsBeyond, runsAffected }
}

export function impactNotFound(impact: string): Problem {
  return new Problem('impact-not-found', { detail: `There is no impact ${impact}.` })
}
