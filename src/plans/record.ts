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
import { answerFinding, FindingWire } from './finding-answer.ts'
import { type Finding, type RevisionCheckVerdict, revisionCheckVerdicts } from './findings.ts'
import { type PlanContent, PlanContentWire, type RevisionState, revisionStates } from './words.ts'

export interface RevisionKey {
  readonly plan: string
  readonly revision: number
}

/** One text for a revision's key; keys hold no slash. */
export function keyText({ plan, revision }: RevisionKey): string {
  return `${plan}/${revision}`
}

/** A revision as stored. Instants are milliseconds since the epoch; what has not happened yet is null. */
export interface RevisionRecord extends RevisionKey, DraftRecord<RevisionState>, StoppedRecord {
  readonly product: string
  readonly productVersion: number
  /** Has the digest, but may have been written when more was allowed: whoever decides by it reads it by its schema. */
  readonly content: unknown
  readonly approvedAt: number | null
  readonly approvedBy: string | null
  readonly approvedMeaning: string | null
  readonly approvedComment: string | null
  readonly inForceFrom: number | null
  readonly withdrawnAt: number | null
  readonly withdrawnBy: string | null
  readonly withdrawnReason: string | null
  readonly withdrawnFrom: number | null
}

/** Where a revision is or was in force. `until` null: open; equal to `from`: it never was. */
export interface InForceRecord extends RevisionKey {
  readonly variant: string
  readonly site: string
  readonly from: number
  readonly until: number | null
}

/** One check of a revision, without its findings. */
export interface CheckRecord extends RevisionKey {
  readonly rulesVersion: number
  readonly verdict: RevisionCheckVerdict
  readonly editions: readonly string[]
  readonly blockingCount: number
  readonly warningCount: number
  readonly checkedAt: number
}

export const CheckWire = z
  .strictObject({
    /** The house's rules version that it was checked with. */
    rulesVersion: z.int(),
    verdict: z.enum(revisionCheckVerdicts),
    /** The editions that applied, as table/edition. */
    editions: z.array(z.string()),
    blockingCount: z.int(),
    warningCount: z.int(),
    checkedAt: InstantWire,
  })
  .meta({ id: 'RevisionCheck' })
export type CheckAnswer = z.infer<typeof CheckWire>

const revisionMembers = {
  plan: KeyWire,
  revision: z.int(),
  state: z.enum(revisionStates),
  content: PlanContentWire,
  ...draftAnswer,
  approvedAt: InstantWire.nullable(),
  approvedBy: KeyWire.nullable(),
  approvedMeaning: z.string().nullable(),
  approvedComment: z.string().nullable(),
  inForceFrom: InstantWire.nullable(),
  withdrawnAt: InstantWire.nullable(),
  withdrawnBy: KeyWire.nullable(),
  withdrawnReason: z.string().nullable(),
  withdrawnFrom: InstantWire.nullable().describe(
    'Evidence of tests from then on is suspect; may lie before withdrawnAt',
  ),
  ...stoppedAnswer,
  inForce: z.array(
    z.strictObject({
      variant: KeyWire.nullable().describe('null where the product has no variants'),
      site: KeyWire,
      from: InstantWire,
      until: InstantWire.nullable().describe('null: open; equal to from: never in force'),
    }),
  ),
  check: CheckWire.nullable().describe('the newest check; null for a draft'),
}

/** A revision as it is answered. What has not happened yet is null. */
export const RevisionWire = z.strictObject(revisionMembers).meta({ id: 'PlanRevision' })
export type Revision = z.infer<typeof RevisionWire>

/** The answer to an approval: the revision, and what its check found that does not keep it from being in force. */
export const ApprovedRevisionWire = z
  .strictObject({ ...revisionMembers, findings: z.array(FindingWire) })
  .meta({ id: 'ApprovedPlanRevision' })
export type ApprovedRevision = z.infer<typeof ApprovedRevisionWire>

/** A plan and where its revisions stand. */
export const PlanWire = z
  .strictObject({
    plan: KeyWire,
    product: KeyWire,
    operation: KeyWire,
    recordedAt: InstantWire,
    latestRevision: z.int(),
    /** Those in force now for some variant at some site, ascending. */
    revisionsInForce: z.array(z.int()),
  })
  .meta({ id: 'Plan' })
export type Plan = z.infer<typeof PlanWire>

/** An interval in which a revision must not be used. */
export const BlockWire = z
  .strictObject({
    from: InstantWire,
    until: InstantWire.nullable().describe('null: without end'),
    /** The rules version whose publication began it. */
    causeVersion: z.int(),
    causes: z.array(z.string()),
  })
  .meta({ id: 'Block' })

/** A block that is open or still to come, of a revision that may be used now or later. */
export const RevisionBlockWire = z
  .strictObject({
    plan: KeyWire,
    revision: z.int(),
    digest: z.string().describe('Of its content; lifting asks for it'),
    product: KeyWire,
    operation: KeyWire,
    sites: z.array(KeyWire).describe('Where the block meets it in force, now or later'),
    ...BlockWire.shape,
    checkedVersion: z
      .int()
      .describe('The rules version of the check that says so; the present one a moment after each publication'),
  })
  .meta({ id: 'RevisionBlock' })
export type RevisionBlock = z.infer<typeof RevisionBlockWire>

/** The answer of every act on a revision and of every question for one. */
export function writeRevision(
  record: RevisionRecord,
  inForce: readonly InForceRecord[],
  check: CheckRecord | undefined,
): Revision {
  const { product: _product, productVersion: _productVersion, content, authors, ...rest } = record
  return {
    ...rest,
    // Shown as it was signed, even if a later release would no longer let it through.
    content: content as PlanContent,
    authors: [...authors],
    createdAt: writeInstant(record.createdAt),
    submittedAt: writeInstantOrNull(record.submittedAt),
    approvedAt: writeInstantOrNull(record.approvedAt),
    inForceFrom: writeInstantOrNull(record.inForceFrom),
    withdrawnAt: writeInstantOrNull(record.withdrawnAt),
    withdrawnFrom: writeInstantOrNull(record.withdrawnFrom),
    ...writeStopped(record),
    inForce: inForce.map(({ variant, site, from, until }) => ({
      variant: variant === '' ? null : variant,
      site,
      from: writeInstant(from),
      until: writeInstantOrNull(until),
    })),
    check: check === undefined ? null : writeCheck(check),
  }
}

export function writeCheck({
  plan: _plan,
  revision: _revision,
  editions,
  checkedAt,
  ...rest
}: CheckRecord): CheckAnswer {
  return { ...rest, editions: [...editions], checkedAt: writeInstant(checkedAt) }
}

/** Content read by the schema of this release. Throws where the database holds what it would not let through. */
export function contentOf({
  plan,
  revision,
  content,
}: Pick<RevisionRecord, 'plan' | 'revision' | 'content'>): PlanContent {
  const read = PlanContentWire.safeParse(content)
  if (!read.success) throw new Error(`revision ${revision} of ${plan} can no longer be read`, { cause: read.error })
  return read.data
}

/** Most findings that a refusal repeats; all of them are at the revision's findings. */
const FINDINGS_TOLD_MAX = 100

/**
 * The findings that keep a revision from being used at an instant.
 * @throws Problem `findings-block` with them, where there are any
 */
export function requireNoneBlocking(key: RevisionKey, findings: readonly Finding[], at: number): void {
  const blocking = findings.filter(
    ({ severity, from, until }) => severity === 'blocking' && from <= at && (until === null || until > at),
  )
  if (blocking.length === 0) return
  const what = blocking.length === 1 ? '1 finding stands' : `${blocking.length} findings stand`
  throw new Problem('findings-block', {
    detail: `${what} against ${nameOf(key)} at ${writeInstant(at)}.`,
    members: { findings: blocking.slice(0, FINDINGS_TOLD_MAX).map(answerFinding) },
  })
}

/** How a sentence calls it. */
export function nameOf({ plan, revision }: RevisionKey): string {
  return `revision ${revision} of ${plan}`
}

export function revisionNotFound({ plan, revision }: RevisionKey): Problem {
  return new Problem('revision-not-found', { detail: `There is no revision ${revision} of plan ${plan}.` })
}

export function planNotFound(plan: string): Problem {
  return new Problem('plan-not-found', { detail: `There is no plan ${plan}.` })
}
