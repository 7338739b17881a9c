import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { DecimalTextWire, UnitWire } from '../exact/quantity.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { EffectWire } from '../platform/versioned-words.ts'
import { RevisionNumberWire } from './words.ts'

/**
 * A deviation permit (ISO 9000:2015, 3.12.6): leave to depart from a requirement before it is met, bounded in quantity
 * and time, and for a stated use.
 */

export const relaxedLimits = ['limitUpper', 'limitLower'] as const
export type RelaxedLimit = (typeof relaxedLimits)[number]

/** In the unit of the plan's own limit, whose word on a number that lies on it stays. */
const LimitWire = z.strictObject({ value: DecimalTextWire, unit: UnitWire })

export const PermitContentWire = z
  .strictObject({
    permit: KeyWire,
    plan: KeyWire,
    revision: RevisionNumberWire,
    revisionDigest: DigestWire,
    step: KeyWire.describe('Whose limit is relaxed'),
    measurement: KeyWire.nullish().describe('One of its measurements; all of them where left out'),
    limitUpper: LimitWire.nullish().describe('In place of the plan’s; exactly one of the two limits'),
    limitLower: LimitWire.nullish(),
    variants: z.array(KeyWire).min(1).max(500).nullish().describe('Only these; every one where left out'),
    sites: z.array(KeyWire).min(1).max(500).nullish().describe('Only at these; at every one where left out'),
    quantity: z.int().min(1).max(1_000_000).describe('Units that may pass under it; a unit counts once'),
    validUntil: InstantWire.describe('Tests that start at or after it pass under it no more'),
    reason: TextWire(1000),
  })
  .meta({ id: 'PermitContent' })
export type PermitContent = z.infer<typeof PermitContentWire>

export const PermitDraftWire = z.strictObject({ content: PermitContentWire }).meta({ id: 'PermitDraft' })
export type PermitDraft = z.infer<typeof PermitDraftWire>

export const PermitApprovalWire = z
  .strictObject({ digest: DigestWire, validFrom: EffectWire, meaning: TextWire(200) })
  .meta({ id: 'PermitApproval' })
export type PermitApproval = z.infer<typeof PermitApprovalWire>

export const PermitWithdrawalWire = z.strictObject({ reason: TextWire(1000) }).meta({ id: 'PermitWithdrawal' })
export type PermitWithdrawal = z.infer<typeof PermitWithdrawalWire>

export const permitStates = ['requested', 'approved', 'withdrawn'] as const
export type PermitState = (typeof permitStates)[number]

export const PermitWire = z
  .strictObject({
    permit: KeyWire,
    state: z.enum(permitStates),
    content: PermitContentWire,
    digest: DigestWire,
    requestedAt: InstantWire,
    requestedBy: KeyWire,
    approvedAt: InstantWire.nullable(),
    approvedBy: KeyWire.nullable(),
    meaning: z.string().nullable(),
    validFrom: InstantWire.nullable(),
    validUntil: InstantWire.describe('As stated, or the withdrawal where that came first'),
    withdrawnAt: InstantWire.nullable(),
    withdrawnBy: KeyWire.nullable(),
    withdrawalReason: z.string().nullable(),
    blockedFrom: InstantWire.nullable().describe('From then on rules in effect do not allow it'),
    causes: z.array(z.string()).describe('What the rules have against it then'),
    used: z.int().min(0).describe('Units that have passed under it'),
  })
  .meta({
    id: 'Permit',
    description: 'Never beyond the rules. What passes under it is `pass-under-permit`, apart from plain passes.',
  })
export type PermitAnswer = z.infer<typeof PermitWire>
