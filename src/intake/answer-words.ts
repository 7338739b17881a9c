import { z } from 'zod'
import { relations } from '../exact/quantity.ts'
import { InstantWire } from '../exact/time.ts'
import { actionOf } from '../judging/sentences.ts'
import { codeOutcomes, outcomes, reasonCodes, stationVerdicts, uploadCodes, verdicts } from '../judging/words.ts'
import { evidences, ReleaseWire, standings } from '../units/words.ts'

/** The shapes of what is answered to an upload, alone or later, and of the list of uploads. */

const FactsWire = z.record(z.string(), z.string())
const WrittenWire = z.strictObject({ value: z.string(), unit: z.string(), relation: z.enum(relations).optional() })

const ReasonWire = z.strictObject({
  code: z.enum(reasonCodes),
  facts: FactsWire,
  sentence: z.string().describe('For the technician; may be reworded'),
})

const MeasurementAnswerWire = z
  .strictObject({
    measurement: z.string(),
    verdict: z.enum(verdicts),
    judged: WrittenWire.optional().describe(
      'The number that was compared, in the unit of the limit: with the digits as received where it is the reading itself',
    ),
    rounded: WrittenWire.optional().describe(
      'That number rounded, where the plan rounds; it was placed against the limit',
    ),
    limitUpper: WrittenWire.optional().describe('In the digits of the plan'),
    limitLower: WrittenWire.optional().describe('In the digits of the plan'),
    guardBand: WrittenWire.optional().describe('Of a guarded decision rule: how far inside the limit is accepted'),
    acceptanceUpper: WrittenWire.optional(),
    acceptanceLower: WrittenWire.optional(),
    margin: WrittenWire.optional().describe('How far inside the limit; negative beyond it'),
    reasons: z.array(ReasonWire),
  })
  .meta({ id: 'MeasurementAnswer' })

const StepAnswerWire = z
  .strictObject({
    step: z.string(),
    verdict: z.enum([...verdicts, 'not-run']),
    reasons: z.array(ReasonWire),
    measurements: z.array(MeasurementAnswerWire),
  })
  .meta({ id: 'StepAnswer' })

/** Every code with its outcome and the way out, as a list in the document. */
const CODES = uploadCodes.map((code) => `- \`${code}\` (${codeOutcomes[code]}): ${actionOf(code)}`).join('\n')

/** One code, why, and the way out. */
export const CodeWire = z
  .strictObject({
    code: z.enum(uploadCodes).describe(`What was found, the outcome it leads to, and what to do:\n\n${CODES}`),
    pointer: z
      .string()
      .nullable()
      .describe('Which field (RFC 6901, as a URI fragment); null where no single one is at fault'),
    facts: FactsWire.describe('What it was found from: which members there are depends on the code'),
    action: z.string().describe('Why, and what to do, in words for a person'),
  })
  .meta({ id: 'UploadCode' })

const JudgedByWire = z
  .strictObject({
    plan: z.string(),
    revision: z.int(),
    revisionDigest: z.string(),
    productVersion: z.int(),
    editions: z.array(z.string()).describe('table/edition, as the revision was checked with'),
    decisionRule: z.string(),
    calibration: z.string().nullable(),
  })
  .meta({ id: 'JudgedBy' })

export const AnswerWire = z
  .strictObject({
    runId: z.string(),
    uploadKey: z.string().nullable(),
    repeated: z.boolean().describe('The same content was received before under this key; the outcome is the first one'),
    outcome: z.enum(outcomes).describe('Never changes'),
    standing: z.enum(standings).describe('The state now'),
    codes: z.array(CodeWire),
    verdict: z.enum(verdicts).nullable(),
    correctedVerdict: z
      .enum(verdicts)
      .nullable()
      .describe('The verdict with the corrections in effect, by which the run counts; null where there are none'),
    stationVerdict: z.enum(stationVerdicts).nullable(),
    evidence: z.enum(evidences).nullable(),
    attempt: z.int().nullable(),
    contentDigest: z.string(),
    receivedAt: InstantWire,
    skewMs: z.int().nullable().describe('Received minus sent; up to 2 s counts as none'),
    startedAt: InstantWire.nullable(),
    startedAtUsed: InstantWire.nullable().describe('Null where the start could not be placed in time'),
    judgedBy: JudgedByWire.nullable(),
    reasons: z.array(ReasonWire),
    steps: z.array(StepAnswerWire),
    release: ReleaseWire.nullable(),
    action: z.string(),
  })
  .meta({ id: 'RunAnswer' })
export type Answer = z.infer<typeof AnswerWire>

/** What may be asked of the list: outcomes of runs, and the uploads that became none. */
export const listedOutcomes = [...outcomes, 'conflict', 'unreadable', 'failed', 'repeated'] as const

export const ListedUploadWire = z
  .strictObject({
    runId: z.string(),
    site: z.string(),
    station: z.string().nullable(),
    uploadKey: z.string().nullable(),
    sender: z.string().describe('The access key it came with'),
    batchId: z
      .string()
      .nullable()
      .describe('The batch that it came in; of a row of a CSV file also the id of the file'),
    line: z.int().nullable().describe('Its line there; of a CSV file its row'),
    outcome: z.enum(listedOutcomes),
    status: z.int().describe('The first answer'),
    codes: z.array(CodeWire),
    verdict: z.enum(verdicts).nullable(),
    product: z.string().nullable(),
    serial: z.string().nullable(),
    plan: z.string().nullable(),
    revision: z.int().nullable(),
    receivedAt: InstantWire,
    startedAtUsed: InstantWire.nullable(),
  })
  .meta({ id: 'ListedUpload' })
export type ListedUpload = z.infer<typeof ListedUploadWire>
