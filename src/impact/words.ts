import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { FindingWire } from '../plans/findings.ts'
import { EffectWire } from '../platform/versioned-words.ts'
import { impactFigures, impactStates } from '../rules/impacts.ts'

/** What becomes of a live revision, or of a permit of it. */
export const impactKinds = [
  'revision-blocked',
  'revision-unapprovable',
  'revision-uncheckable',
  'permit-beyond',
] as const
export type ImpactKind = (typeof impactKinds)[number]

export const ImpactRequestWire = z
  .strictObject({
    effectiveFrom: EffectWire.nullish().describe('As the publication would state it; at-once where left out'),
    bindsBecause: TextWire(1000).nullish().describe('As the publication would state it'),
  })
  .nullish()
  .meta({ id: 'ImpactRequest' })
export type ImpactRequest = z.infer<typeof ImpactRequestWire>

export const ImpactFindingWire = z
  .strictObject({
    ordinal: z.int().min(1),
    kind: z.enum(impactKinds),
    plan: KeyWire,
    revision: z.int(),
    product: KeyWire,
    permit: KeyWire.nullable().describe('null: the revision itself'),
    from: InstantWire,
    until: InstantWire.nullable().describe('from when on it would be so without the publication too; null: never'),
    findingsTotal: z.int().describe('What blocks it then or later'),
    findings: z
      .array(FindingWire)
      .describe('The first of these: what is demanded by which row, what the plan accepts, and the margin'),
  })
  .meta({ id: 'ImpactFinding' })
export type ImpactFinding = z.infer<typeof ImpactFindingWire>

export const ImpactWire = z
  .strictObject({
    impact: KeyWire,
    table: KeyWire,
    edition: z.int(),
    digest: DigestWire.describe('Of the content that was asked about'),
    effectiveFrom: InstantWire.nullable().describe('null: at once'),
    bindsBecause: z.string().nullable(),
    rulesVersion: z.int().describe('The rules that it was worked out with'),
    current: z.boolean().describe('These are the rules still'),
    state: z
      .enum(impactStates)
      .describe('checking: live revisions are gone through; studying: stored runs are; the rest is final'),
    failure: z.string().nullable(),
    study: KeyWire.describe('Of the stored runs; by site, product and ship state, with its progress'),
    revisionsTotal: z.int().describe('Live when it was asked: in review, in use or scheduled'),
    revisionsChecked: z.int(),
    ...impactFigures,
    findings: z.array(ImpactFindingWire).describe('The first of them; all are listed at /findings'),
    askedAt: InstantWire,
    askedBy: KeyWire,
    endedAt: InstantWire.nullable(),
  })
  .meta({ id: 'Impact' })
export type Impact = z.infer<typeof ImpactWire>
