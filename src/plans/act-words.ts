import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { EffectWire } from '../platform/versioned-words.ts'
import { FindingWire } from './finding-answer.ts'
import { RevisionNumberWire } from './words.ts'

export const ApprovalWire = z
  .strictObject({
    digest: DigestWire,
    inForceFrom: EffectWire,
    meaning: TextWire(200),
    comment: TextWire(1000).nullish(),
  })
  .meta({ id: 'PlanApproval' })
export type Approval = z.infer<typeof ApprovalWire>

export const WithdrawalWire = z
  .strictObject({
    digest: DigestWire.nullish().describe('Of the content that was seen; held to the content where given'),
    reason: TextWire(1000),
    from: EffectWire.nullish().describe(
      'From when on; at once where left out. Later: in force until then. Earlier: nothing tested is refused, but the evidence of tests since then is suspect',
    ),
  })
  .meta({ id: 'PlanWithdrawal' })
export type Withdrawal = z.infer<typeof WithdrawalWire>

/** Most revisions of one lifting: it holds back uploads while each is looked at. */
export const LIFTED_MAX = 200

export const LiftingWire = z
  .strictObject({
    from: EffectWire.nullish().describe('From when on they may be used again; at once where left out'),
    meaning: TextWire(200),
    reason: TextWire(1000),
    revisions: z
      .array(z.strictObject({ plan: KeyWire, revision: RevisionNumberWire, digest: DigestWire }))
      .min(1)
      .max(LIFTED_MAX)
      .describe('Each with the digest of the content that was seen'),
  })
  .meta({ id: 'BlockLifting' })
export type Lifting = z.infer<typeof LiftingWire>

/** Why the block of one revision was not lifted. */
export const liftingRefusals = [
  'revision-not-found',
  'digest-stale',
  'state-conflict',
  'two-people-required',
  'not-blocked',
  'finding-stands',
] as const

/** What became of each revision of a lifting, in the order of the request. */
export const LiftingAnswerWire = z
  .strictObject({
    from: InstantWire.describe('From when on those that were lifted may be used again'),
    revisions: z.array(
      z.strictObject({
        plan: KeyWire,
        revision: RevisionNumberWire,
        lifted: z.boolean(),
        because: z.enum(liftingRefusals).nullable().describe('Why not; null where it was lifted'),
        detail: z.string().nullable().describe('The same for a person'),
        findings: z.array(FindingWire).describe('Those that stand at the instant; the first few of many'),
        blockedFrom: InstantWire.nullable().describe('When findings known now block it again; null where none does'),
      }),
    ),
  })
  .meta({ id: 'BlockLiftingAnswer' })
export type LiftingAnswer = z.infer<typeof LiftingAnswerWire>
