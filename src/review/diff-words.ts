import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire } from '../exact/text.ts'
import { unitCodes } from '../exact/unit-codes.ts'
import { RevisionNumberWire } from '../plans/words.ts'

/**
 * What can be said of a change. `tightened` and `loosened` are about what a unit or a test must meet; `changed` is
 * neither. `renamed`: another key for equal content. `reworded`: other words that say the same.
 */
export const changeKinds = [
  'tightened',
  'loosened',
  'added',
  'removed',
  'changed',
  'reworded',
  'renamed',
  'reordered',
] as const
export type ChangeKind = (typeof changeKinds)[number]

const unit = z.enum(unitCodes)
/** A decimal number in plain digits. */
const digits = z.string()
const QuantitySideWire = z.strictObject({ value: digits, unit })
const LimitSideWire = z.strictObject({ value: digits, unit, inclusive: z.boolean() })
const WindowSideWire = z
  .strictObject({ least: digits.nullable(), most: digits.nullable(), unit })
  .describe('what is accepted, both ends included; null: no bound')

const ChangeSideWire = z
  .union([
    QuantitySideWire,
    LimitSideWire,
    WindowSideWire,
    z.string(),
    z.boolean(),
    z.int(),
    z.array(z.string()).describe('keys of steps, measurements, terminals or sites'),
  ])
  .meta({ id: 'PlanRevisionChangeSide', description: 'What a content says, in its own unit.' })
export type QuantitySide = z.infer<typeof QuantitySideWire>
export type LimitSide = z.infer<typeof LimitSideWire>
export type WindowSide = z.infer<typeof WindowSideWire>
export type ChangeSide = z.infer<typeof ChangeSideWire> | null

export const ChangeWire = z
  .strictObject({
    path: z.string().describe('JSON Pointer (RFC 6901) into the content of `to`; of `from` where the kind is removed'),
    step: KeyWire.nullable().describe('null: said by the plan as a whole'),
    measurement: KeyWire.nullable().describe('null: alike for all measurements of the step'),
    variants: z.array(KeyWire).nullable().describe('null: alike for every variant'),
    member: z
      .string()
      .nullable()
      .describe('member of the plan, step or measurement; null: the step or measurement itself'),
    kind: z.enum(changeKinds),
    from: ChangeSideWire.nullable().describe('as before; null: there was none'),
    to: ChangeSideWire.nullable().describe('as now; null: there is none'),
    changePercent: digits
      .nullable()
      .describe(
        'of a number: (to - from) / from in per cent, 3 significant digits, half to even; null where there is none',
      ),
    sentence: z.string(),
  })
  .meta({ id: 'PlanRevisionChange' })
export type Change = z.infer<typeof ChangeWire>

const SideOfDiffWire = z.strictObject({ revision: RevisionNumberWire, digest: DigestWire })

const summary = Object.fromEntries(changeKinds.map((kind) => [kind, z.int().min(0)])) as Record<ChangeKind, z.ZodInt>

/** What a revision asks otherwise than another of its plan. Equal quantities in other units are no change. */
export const RevisionDiffWire = z
  .strictObject({
    plan: KeyWire,
    from: SideOfDiffWire,
    to: SideOfDiffWire,
    tightened: z.boolean().describe('something was tightened or added'),
    loosened: z.boolean().describe('something was loosened or removed'),
    summary: z.strictObject(summary).describe('how many changes there are of each kind'),
    changes: z.array(ChangeWire),
  })
  .meta({
    id: 'PlanRevisionDiff',
    examples: [
      {
        plan: 'ex36-final',
        from: { revision: 7, digest: 'sha256:65660e8c91185bc1ed66f88071e84179a8916dad8a1f52b98abc5486bb722884' },
        to: { revision: 8, digest: 'sha256:a0e88e8789d3c1834f2320eb2754ed2a2df5cf30435f7adc70c0f175438f3e9b' },
        tightened: true,
        loosened: false,
        summary: {
          tightened: 1,
          loosened: 0,
          added: 0,
          removed: 0,
          changed: 0,
          reworded: 0,
          renamed: 0,
          reordered: 0,
        },
        changes: [
          {
            path: '/steps/1/limitUpper/value',
            step: 'strength',
            measurement: null,
            variants: null,
            member: 'limitUpper',
            kind: 'tightened',
            from: { value: '3', unit: 'mA', inclusive: true },
            to: { value: '2.5', unit: 'mA', inclusive: true },
            changePercent: '-16.7',
            sentence: 'Step strength: the upper limit was tightened: 3 mA before, 2.5 mA now (-16.7 %).',
          },
        ],
      },
    ],
  })
export type RevisionDiff = z.infer<typeof RevisionDiffWire>
