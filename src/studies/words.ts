import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { DecimalTextWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { verdicts } from '../judging/words.ts'
import { NumberWire } from '../platform/versioned-words.ts'
import { stepKinds } from '../rules/words.ts'
import { shipStates } from '../units/event-words.ts'

/** Queued and running go on by themselves; the others are final. */
export const studyStates = ['queued', 'running', 'done', 'failed', 'cancelled'] as const
export type StudyState = (typeof studyStates)[number]

/** Why a study could not go on; it holds what it found until then. */
export const studyFailures = {
  'content-changed': 'The content of a draft was changed after the study had been asked for.',
  'upload-unreadable': 'The stored bytes of a run could not be read as an upload any more.',
} as const
export type StudyFailure = keyof typeof studyFailures

const RevisionChangeWire = z
  .strictObject({
    kind: z.literal('revision-change'),
    plan: KeyWire,
    from: NumberWire.describe('The revision that the runs were judged by'),
    to: NumberWire.describe('The revision to judge them by again; it may be a draft'),
    testedFrom: InstantWire,
    testedUntil: InstantWire.nullish().describe('Tests that started before it; now where it is left out'),
  })
  .meta({ id: 'RevisionChangeQuestion' })

const CalibrationErrorWire = z
  .strictObject({ kind: z.literal('calibration-error'), calibration: KeyWire })
  .meta({ id: 'CalibrationErrorQuestion' })

const EditionChangeWire = z
  .strictObject({
    kind: z.literal('edition-change'),
    table: KeyWire,
    edition: NumberWire.describe('It may be a draft'),
    digest: DigestWire.describe('Of its content'),
    effectiveFrom: InstantWire.nullish().describe(
      'Other tables may take a demand out of it: those in effect then; now where it is left out',
    ),
    bindsBecause: TextWire(1000)
      .nullish()
      .describe('As its publication would state it; as it was published, where it was'),
  })
  .meta({ id: 'EditionChangeQuestion' })

export const QuestionWire = z.discriminatedUnion('kind', [RevisionChangeWire, CalibrationErrorWire, EditionChangeWire])
export type Question = z.infer<typeof QuestionWire>

export const StudyDraftWire = z
  .strictObject({
    study: KeyWire.nullish().describe(
      'A key of your own, by which a repeat is refused; one is given where it is left out',
    ),
    question: QuestionWire,
  })
  .meta({ id: 'StudyDraft' })
export type StudyDraft = z.infer<typeof StudyDraftWire>

const NumberTextWire = z
  .strictObject({ value: DecimalTextWire, unit: z.string(), relation: z.enum(['<', '>']).optional() })
  .meta({ id: 'StudyNumber' })

const verdict = z.enum(verdicts)
const MeasurementFoundWire = z
  .strictObject({
    step: KeyWire,
    measurement: KeyWire,
    kind: z.enum(stepKinds),
    verdictBefore: verdict,
    verdictAfter: verdict,
    judgedBefore: NumberTextWire.nullable(),
    judgedAfter: NumberTextWire.nullable().describe('corrected, where the question is about an error'),
    limitUpperBefore: NumberTextWire.nullable(),
    limitUpperAfter: NumberTextWire.nullable(),
    limitLowerBefore: NumberTextWire.nullable(),
    limitLowerAfter: NumberTextWire.nullable(),
    margin: NumberTextWire.nullable().describe('to the limit as it is after; negative beyond it'),
    reasons: z.array(z.string()).describe('codes of what the judge found after'),
  })
  .meta({ id: 'StudyMeasurement' })
export type MeasurementFound = z.infer<typeof MeasurementFoundWire>

export const StudyFindingWire = z
  .strictObject({
    ordinal: z.int().min(1),
    runId: z.uuid(),
    site: KeyWire,
    station: KeyWire,
    instrument: KeyWire,
    startedAt: InstantWire,
    product: KeyWire,
    variant: z.string().describe('empty where the product has none'),
    serial: z.string(),
    plan: KeyWire,
    revision: z.int(),
    shipState: z.enum(shipStates).describe('where the unit was when the study came to it'),
    verdictBefore: verdict.describe('as stored; a study rewrites no verdict'),
    verdictAfter: verdict,
    measurements: z.array(MeasurementFoundWire),
  })
  .meta({ id: 'StudyFinding' })
export type StudyFinding = z.infer<typeof StudyFindingWire>

const CountWire = z
  .strictObject({
    site: KeyWire,
    product: KeyWire,
    shipState: z.enum(shipStates),
    verdictBefore: verdict,
    verdictAfter: verdict,
    count: z.int(),
  })
  .meta({ id: 'StudyCount' })

export const AssessmentDraftWire = z
  .strictObject({
    digest: DigestWire.describe('of all findings, as the study answers it'),
    conclusion: TextWire(4_000),
    meaning: TextWire(500),
  })
  .meta({ id: 'StudyAssessmentDraft' })
export type AssessmentDraft = z.infer<typeof AssessmentDraftWire>

const AssessmentWire = z
  .strictObject({
    digest: DigestWire,
    conclusion: z.string(),
    meaning: z.string(),
    assessedAt: InstantWire,
    assessedBy: KeyWire,
  })
  .meta({ id: 'StudyAssessment' })

export const StudyWire = z
  .strictObject({
    study: KeyWire,
    question: QuestionWire,
    state: z.enum(studyStates),
    failure: z.string().nullable(),
    total: z.int().describe('Runs asked about; counted while it is queued'),
    done: z.int().describe('Runs judged again so far'),
    found: z.int(),
    counts: z.array(CountWire),
    digest: DigestWire.describe('of all findings so far, in their order'),
    askedAt: InstantWire,
    askedBy: KeyWire,
    endedAt: InstantWire.nullable(),
    assessment: AssessmentWire.nullable().describe('closes the study'),
  })
  .meta({ id: 'Study' })
export type Study = z.infer<typeof StudyWire>
