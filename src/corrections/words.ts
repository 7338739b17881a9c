import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { DecimalTextWire, relations } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import type { JudgementText } from '../intake/stored.ts'
import { stressNames, type Verdict, verdicts } from '../judging/words.ts'
import type { StepResult } from '../units/words.ts'

/** What of a measurement can be corrected: its reading, or one of its measured stresses. */
export const correctedMembers = ['reading', ...stressNames] as const
export type CorrectedMember = (typeof correctedMembers)[number]

const NumberWire = z.strictObject({
  value: DecimalTextWire,
  unit: z.string().min(1).max(16),
  relation: z.enum(relations).nullish(),
})
export type CorrectedNumber = z.infer<typeof NumberWire>

/** `POST /v1/runs/{runId}/corrections`. */
export const CorrectionDraftWire = z
  .strictObject({
    step: KeyWire,
    measurement: KeyWire,
    member: z.enum(correctedMembers),
    to: NumberWire,
    reason: TextWire(1000).describe('Why what was sent is wrong, and how that is known'),
  })
  .meta({ id: 'CorrectionDraft' })
export type CorrectionDraft = z.infer<typeof CorrectionDraftWire>

export const CorrectionConfirmationWire = z
  .strictObject({ digest: DigestWire, meaning: TextWire(200) })
  .meta({ id: 'CorrectionConfirmation' })
export type CorrectionConfirmation = z.infer<typeof CorrectionConfirmationWire>

export interface Correction {
  readonly correctionId: string
  readonly runId: string
  readonly site: string
  readonly step: string
  readonly measurement: string
  readonly member: CorrectedMember
  readonly from: CorrectedNumber | null
  readonly to: CorrectedNumber
  readonly reason: string
  /** Over run, place, numbers, reason and verdicts: what the second person signs. */
  readonly digest: string
  readonly verdictBefore: Verdict
  readonly verdictAfter: Verdict
  readonly judgement: JudgementText
  readonly steps: readonly StepResult[] | null
  readonly follows: string | null
  readonly recordedAt: number
  readonly recordedBy: string
  readonly confirmedAt: number | null
  readonly confirmedBy: string | null
  readonly meaning: string | null
}

export const CorrectionWire = z
  .strictObject({
    correctionId: z.string(),
    runId: z.string(),
    step: z.string(),
    measurement: z.string(),
    member: z.enum(correctedMembers),
    from: NumberWire.nullable().describe('As it stood before; null where there was no number'),
    to: NumberWire,
    reason: z.string(),
    digest: DigestWire.describe('What the second person signs'),
    verdictBefore: z.enum(verdicts),
    verdictAfter: z.enum(verdicts),
    inEffect: z.boolean().describe('It changes no verdict, or a second person has confirmed it'),
    recordedAt: InstantWire,
    recordedBy: z.string(),
    confirmedAt: InstantWire.nullable(),
    confirmedBy: z.string().nullable(),
    meaning: z.string().nullable(),
  })
  .meta({ id: 'Correction', description: 'A correction of what was sent of a run. What was sent first stays.' })
export type CorrectionAnswer = z.infer<typeof CorrectionWire>
