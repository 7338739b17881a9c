import { z } from 'zod'
import { isWellFormedText, KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { actionOf } from '../judging/sentences.ts'
import {
  attemptCauses,
  missingFactCodes,
  outcomes,
  purposes,
  type StepVerdict,
  stepVerdicts,
  type UploadCode,
  type Verdict,
  verdicts,
} from '../judging/words.ts'
import { RAW_LENGTH_MAX } from '../products/serial.ts'
import { shipStates, UnitEventWire } from './event-words.ts'

/** The state of an upload now: its outcome, or held by what is known of its unit. */
export const standings = outcomes
export type Standing = (typeof standings)[number]

/** What a run is worth as evidence. `good`: the station was checked before and after; until then it is `provisional`. */
export const evidences = ['provisional', 'good', 'suspect', 'superseded', 'none'] as const
export type Evidence = (typeof evidences)[number]

export interface UnitName {
  readonly product: string
  readonly serial: string
}

/** What a run came to in one planned step. */
export interface StepResult {
  readonly step: string
  readonly verdict: StepVerdict
  readonly required: boolean
  /** Steps that must have passed before it. */
  readonly after: readonly string[]
}

/** One row of a unit's history: an accepted or held run, or a failure reported in a rejected one. */
export interface Attempt {
  readonly site: string
  readonly station: string
  readonly uploadKey: string
  readonly runId: string
  /** The start as used; where none can be trusted, the receipt. Milliseconds since the epoch. */
  readonly startedAt: number
  readonly sequenceNumber: number
  readonly receivedAt: number
  readonly outcome: 'accepted' | 'held' | 'rejected'
  readonly codes: readonly UploadCode[]
  readonly purpose: string
  /** Null where it was not judged; with the corrections in effect. */
  readonly verdict: Verdict | null
  /** As it was judged first, where a correction is in effect; else null. */
  readonly correctedFrom: Verdict | null
  /** Null where the plan cited is not known. */
  readonly operation: string | null
  readonly variant: string | null
  readonly plan: string | null
  readonly revision: number | null
  readonly instrument: string | null
  readonly programming: string | null
  /** Whom the run names; null for a refused upload that names nobody. */
  readonly person: string | null
  readonly attemptCause: string | null
  /** The station reported a failure, or a measurement ended by over-current, breakdown or arc. */
  readonly reportedFailure: boolean
  /** The approved concession under which its failure does not keep the unit from shipping. */
  readonly concession: string | null
  /** Every planned step, where the plan lets several runs carry the evidence; else null. */
  readonly steps: readonly StepResult[] | null
}

/** Why a unit may not ship. Stored nowhere; computed when asked. Never reused. */
export const releaseCodes = [
  'unit-unknown',
  'requirements-unknown',
  'operation-missing',
  'latest-run-fail',
  'latest-run-invalid',
  'latest-run-inconclusive',
  'latest-run-incomplete',
  'hold-open',
  'failure-unexplained',
  'evidence-suspect',
  // Something happened to the unit after its test.
  'evidence-superseded',
  'unit-scrapped',
  // Of a plan whose evidence may come from several runs.
  'step-missing',
  'step-not-passed',
  'step-out-of-order',
] as const
export type ReleaseCode = (typeof releaseCodes)[number]

export interface ReleaseReason {
  readonly code: ReleaseCode
  readonly facts: Readonly<Record<string, string>>
}

export interface Release {
  readonly releasable: boolean
  /** Releasable on evidence that the next station check may still unmake. */
  readonly provisional: boolean
  /** Under which it is releasable though a run that speaks for it failed. */
  readonly concessions: readonly string[]
  readonly reasons: readonly ReleaseReason[]
}

/** What to do about a hold, by its codes as stored. */
function wayOut(codes: readonly string[]): string {
  const missing: ReadonlySet<string> = missingFactCodes
  if (codes.every((code) => missing.has(code))) return 'Have what is missing recorded, or test again.'
  if (codes.includes('identity-conflict')) return actionOf('identity-conflict')
  return 'Mend the cause and test again: a later pass speaks for the unit.'
}

const sentences: Readonly<Record<ReleaseCode, (facts: Readonly<Record<string, string>>) => string>> = {
  'unit-unknown': () => 'No run of this serial number is known. Test the unit.',
  'requirements-unknown': () =>
    'No version of the product is in effect, so nothing says what must be tested. Ask the quality manager.',
  'operation-missing': ({ operation }) => `No run of the operation ${operation} is known. Test the unit.`,
  'latest-run-fail': ({ operation, runId }) =>
    `The latest run of ${operation} (${runId}) failed. Repair and test again.`,
  'latest-run-invalid': ({ operation, runId }) =>
    `The latest run of ${operation} (${runId}) was not a proper test. Mend the cause and test again.`,
  'latest-run-inconclusive': ({ operation, runId }) =>
    `A reading of the latest run of ${operation} (${runId}) cannot be placed against its limit. Test again.`,
  'latest-run-incomplete': ({ operation, runId }) =>
    `The latest run of ${operation} (${runId}) lacks a required result. Test again.`,
  'hold-open': ({ runId, codes = '' }) => `The run ${runId} is held (${codes}). ${wayOut(codes.split(' '))}`,
  'failure-unexplained': ({ runId }) =>
    `A failure was reported in the run ${runId}, which did not count. Find the cause, then test again with attemptCause after-rework or after-event.`,
  'evidence-suspect': ({ runId, kinds }) =>
    kinds === undefined
      ? `What the run ${runId} rested on (instrument, calibration or programming) was taken away afterwards. Test again.`
      : `No good check of the station carries the run ${runId} for ${kinds}: one is missing or failed. Test again on a station that was checked.`,
  'evidence-superseded': ({ operation, runId, event, at }) =>
    `The unit was ${event} at ${at}, after the run ${runId} of ${operation}. Test it again.`,
  'unit-scrapped': ({ at }) => `The unit was scrapped at ${at}. It must not ship.`,
  'step-missing': ({ operation, step }) => `No run of ${operation} has a result of step ${step}. Run that step.`,
  'step-not-passed': ({ operation, step, verdict, runId }) =>
    `The latest result of step ${step} of ${operation} (${runId}) is ${verdict}. Mend the cause and run it again.`,
  'step-out-of-order': ({ step, after, runId }) =>
    `Step ${step} (${runId}) was run before step ${after} had passed. Run it again.`,
}

/** A sentence that a person at the line can act on. */
export function releaseSentence(reason: ReleaseReason): string {
  return sentences[reason.code](reason.facts)
}

// ------------------------------------------------------------------------------------------------ answers

export const ReleaseWire = z
  .strictObject({
    releasable: z.boolean(),
    provisional: z.boolean(),
    concessions: z
      .array(z.string())
      .describe('Under which it is releasable though a run failed; empty where none is needed'),
    reasons: z.array(
      z.strictObject({ code: z.enum(releaseCodes), facts: z.record(z.string(), z.string()), action: z.string() }),
    ),
  })
  .meta({
    id: 'Release',
    description: 'Whether the unit may ship, and if not why. Local codes and licensed practice govern.',
  })
export type ReleaseWire = z.infer<typeof ReleaseWire>

export const UnitReleaseWire = z
  .strictObject({
    product: z.string(),
    serial: z.string(),
    askedAt: InstantWire,
    operationsRequired: z.array(z.string()),
    ...ReleaseWire.shape,
  })
  .meta({ id: 'UnitRelease' })

/** So many units are asked about at once: a lorry, or a container. */
export const RELEASE_CHECK_MAX = 5_000

export const ReleaseCheckWire = z
  .strictObject({
    units: z
      .array(
        z.strictObject({
          product: KeyWire,
          serial: z
            .string()
            .min(1)
            .max(RAW_LENGTH_MAX)
            .refine(isWellFormedText, 'text holds NUL or half a character')
            .describe('As printed or scanned; it is read by the rule of the product'),
        }),
      )
      .min(1)
      .max(RELEASE_CHECK_MAX)
      .describe('Each is answered, also one that is named twice'),
  })
  .meta({ id: 'ReleaseCheck' })
export type ReleaseCheck = z.infer<typeof ReleaseCheckWire>

export const CheckedReleasesWire = z
  .strictObject({
    asked: z.int(),
    releasable: z.int().describe('Of them, how many may ship'),
    provisional: z.int().describe('Of the releasable, on evidence that the next station check may still unmake'),
    units: z.array(UnitReleaseWire).describe('In the order asked'),
  })
  .meta({
    id: 'CheckedReleases',
    description: 'Whether units may ship, and if not why. Local codes and licensed practice govern.',
  })
export type CheckedReleases = z.infer<typeof CheckedReleasesWire>

export const AttemptWire = z
  .strictObject({
    runId: z.string(),
    attempt: z.int().nullable(),
    outcome: z.enum(outcomes),
    standing: z.enum(standings),
    evidence: z.enum(evidences).nullable(),
    codes: z.array(z.string()),
    verdict: z.enum(verdicts).nullable().describe('With the corrections in effect'),
    correctedFrom: z.enum(verdicts).nullable().describe('As it was judged first, where a correction is in effect'),
    concession: z.string().nullable().describe('Approved leave to release the unit though this run failed'),
    reportedFailure: z.boolean(),
    steps: z
      .array(
        z.strictObject({
          step: z.string(),
          verdict: z.enum(stepVerdicts),
          required: z.boolean(),
          after: z.array(z.string()),
        }),
      )
      .nullable()
      .describe('Where the plan lets several runs carry the evidence, step by step; else null'),
    purpose: z.union([z.enum(purposes), z.string()]),
    operation: z.string().nullable(),
    variant: z.string().nullable(),
    plan: z.string().nullable(),
    revision: z.int().nullable(),
    site: z.string(),
    station: z.string(),
    instrument: z.string().nullable(),
    programming: z.string().nullable(),
    attemptCause: z.union([z.enum(attemptCauses), z.string()]).nullable(),
    startedAt: InstantWire,
    receivedAt: InstantWire,
  })
  .meta({ id: 'Attempt' })

export const UnitWire = z
  .strictObject({
    product: z.string(),
    serial: z.string(),
    shipState: z.enum(shipStates),
    attempts: z.array(AttemptWire),
    events: z.array(UnitEventWire),
    release: ReleaseWire,
  })
  .meta({ id: 'Unit' })

/** The release as it goes over the wire, each reason with a sentence to act on. */
export function writeRelease({ releasable, provisional, concessions, reasons }: Release): ReleaseWire {
  return {
    releasable,
    provisional,
    concessions: [...concessions],
    reasons: reasons.map((reason) => ({
      code: reason.code,
      facts: { ...reason.facts },
      action: releaseSentence(reason),
    })),
  }
}
