import { z } from 'zod'
import { canonicalText, DigestWire, digestOf } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire, readInstant, writeInstantOrNull } from '../exact/time.ts'
import { fieldInvalid, type ProblemError } from './problems.ts'

/** What drafted and signed content has alike wherever it is kept: how it is sent, stored and answered. */

/** The number of a version, edition or the like in its content. It fits SQL's integer. */
export const NumberWire = z.int().min(1).max(2_147_483_647)

/** A draft says the key and number of its path again in its content, since the digest covers the content alone. */
export interface Draft {
  readonly content: Readonly<Record<string, unknown>>
  readonly changeReason?: string | null | undefined
}

/**
 * Where a draft does not fit the path it was sent to, and whether it lacks the reason why it differs from the one before;
 * the first has none before it.
 * @param path members of the content, as the path names them
 */
export function draftErrors(draft: Draft, path: Readonly<Record<string, string | number>>, number: number) {
  const errors: ProblemError[] = Object.entries(path)
    .filter(([member, named]) => draft.content[member] !== named)
    .map(([member, named]) => ({ pointer: `/content/${member}`, detail: `The path names the ${member} ${named}.` }))
  if (number > 1 && (draft.changeReason ?? '').trim() === '') {
    const detail = 'Every number above 1 says why it differs.'
    errors.push({ pointer: '/changeReason', code: 'field-missing', detail })
  }
  return errors
}

/**
 * Puts content up for review. It signs nothing, so the digest may be left out, and the whole body with it; where it is
 * given it is held to the content.
 */
export const SubmissionWire = z.strictObject({ digest: DigestWire.nullish() }).nullish().meta({ id: 'Submission' })
export type Submission = z.infer<typeof SubmissionWire>

const seen = { digest: DigestWire.nullish().describe('Of the content that was seen; held to the content where given') }

/** Sends content in review back, for good: its number stays as it was read, and other content gets the next one. */
export const RejectionWire = z.strictObject({ ...seen, reason: TextWire(1000) }).meta({ id: 'Rejection' })
export type Rejection = z.infer<typeof RejectionWire>

/** Takes back what was signed, before its instant has come. */
export const CancellationWire = z.strictObject({ ...seen, reason: TextWire(1000) }).meta({ id: 'Cancellation' })
export type Cancellation = z.infer<typeof CancellationWire>

/** What an act that stops something says of itself. */
export interface Stopped<State extends string> {
  readonly state: State
  readonly by: string
  readonly reason: string
}

/** From when on something signed is to hold. */
export const EffectWire = z.union([z.literal('at-once'), InstantWire])

/** @throws Problem `field-invalid` naming `pointer` */
export function readEffect(asked: string, pointer: string): number | 'at-once' {
  if (asked === 'at-once') return asked
  const read = readInstant(asked)
  if ('refused' in read) throw fieldInvalid(pointer, 'must be an instant with an offset, or at-once', read.refused)
  return read.at
}

/** As stored, beside its key, content and signature. Instants are milliseconds since the epoch; null: not happened yet. */
export interface DraftRecord<State extends string> {
  readonly state: State
  readonly digest: string
  readonly changeReason: string | null
  readonly authors: readonly string[]
  readonly createdAt: number
  readonly submittedAt: number | null
  readonly submittedBy: string | null
}

/** How something was sent back, or taken back before its instant; null: it was not. */
export interface StoppedRecord {
  readonly rejectedAt: number | null
  readonly rejectedBy: string | null
  readonly rejectedReason: string | null
  readonly cancelledAt: number | null
  readonly cancelledBy: string | null
  readonly cancelledReason: string | null
}

export const stoppedAnswer = {
  rejectedAt: InstantWire.nullable(),
  rejectedBy: KeyWire.nullable(),
  rejectedReason: z.string().nullable(),
  cancelledAt: InstantWire.nullable(),
  cancelledBy: KeyWire.nullable(),
  cancelledReason: z.string().nullable(),
}

/** Its instants as they are answered. */
export function writeStopped({ rejectedAt, cancelledAt }: StoppedRecord) {
  return { rejectedAt: writeInstantOrNull(rejectedAt), cancelledAt: writeInstantOrNull(cancelledAt) }
}

/** Its columns, in SQL. */
export const STOPPED_COLUMNS = `rejected_at AS "rejectedAt", rejected_by AS "rejectedBy", rejected_reason AS "rejectedReason",
  cancelled_at AS "cancelledAt", cancelled_by AS "cancelledBy", cancelled_reason AS "cancelledReason"`

/** The columns that a rejection or cancellation sets. */
export function rejectedColumns({ state, by, reason }: Stopped<string>, at: number) {
  return { state, rejectedAt: new Date(at), rejectedBy: by, rejectedReason: reason }
}

export function cancelledColumns({ state, by, reason }: Stopped<string>, at: number) {
  return { state, cancelledAt: new Date(at), cancelledBy: by, cancelledReason: reason }
}

/** The same members as they are answered, but for the state, whose words are the room's. */
export const draftAnswer = {
  digest: DigestWire,
  changeReason: z.string().nullable(),
  authors: z.array(KeyWire),
  createdAt: InstantWire,
  submittedAt: InstantWire.nullable(),
  submittedBy: KeyWire.nullable(),
}

/** The columns that whoever writes or replaces a draft sets. The content is stored as the text that its digest covers. */
export function draftColumns(written: {
  readonly content: unknown
  readonly changeReason: string | null
  readonly authors: readonly string[]
}) {
  const content = canonicalText(written.content)
  return { content, digest: digestOf(content), changeReason: written.changeReason, authors: [...written.authors] }
}

/**
 * Stored content. INVARIANT: what comes back is what was signed, so content that lost its digest is never given out.
 * @param name how a sentence calls it, such as 'version 3 of EX36'
 */
export function readStored(row: { readonly content: string; readonly digest: string }, name: string): unknown {
  if (digestOf(row.content) !== row.digest) {
    throw new Error(`${name} was changed in the database: its digest does not fit`)
  }
  return JSON.parse(row.content)
}
