import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { kindsPreceded } from '../../src/plans/accepted.ts'
import { checkPlanContent } from '../../src/plans/content-check.ts'
import { PlanContentWire, type Step } from '../../src/plans/words.ts'
import { diffContents } from '../../src/review/diff.ts'
import { stepKinds } from '../../src/rules/words.ts'
import { fitsCapabilities, testerStepCount } from '../../src/stations/capability.ts'
import { ex36, planWire, type Wire } from '../support/aldermoor.ts'
import { check, published } from './aldermoor.ts'

const residual = {
  step: 'plug-pins',
  kind: 'residual-voltage',
  required: true,
  after: ['touch'],
  detector: 'peak',
  supplyVoltage: { set: '230', least: '225', most: '250', unit: 'V' },
  readAt: { set: '1.0', most: '1.0', unit: 's' },
  limitUpper: { value: '34', unit: 'V', inclusive: true },
  measurements: [{ measurement: 'line-to-neutral', from: ['line'], to: ['neutral'] }],
}
const look = {
  step: 'look',
  kind: 'inspection',
  required: true,
  after: [],
  measurements: [{ measurement: 'cord', instruction: 'The cord anchorage holds.' }],
}
const withSteps = (...steps: Wire[]) => PlanContentWire.parse({ ...planWire, steps: [...planWire.steps, ...steps] })

describe('steps of the further kinds', () => {
  test('are sound beside the others', () => {
    const { leadOffset: _, dwell: __, ...settings }: Wire = planWire.steps[0]
    const continuity = { ...settings, step: 'continuity', kind: 'protective-continuity', method: 'four-wire' }
    expect(checkPlanContent(withSteps(residual, look, continuity), ex36())).toEqual([])
  })

  test('a residual voltage says until when it is read', () => {
    const { most: _, ...open } = residual.readAt
    const late = checkPlanContent(withSteps({ ...residual, readAt: { ...open, least: '0.9' } }), ex36())
    expect(late.map(({ pointer }) => pointer)).toEqual(['/steps/4/readAt'])
  })

  test('an inspection takes no tester step and asks nothing of the instrument', () => {
    const content = withSteps(look)
    expect(testerStepCount(content)).toBe(8)
    const kinds = stepKinds.filter((kind) => kind !== 'residual-voltage').map((kind) => ({ kind }))
    expect(fitsCapabilities(content, { kinds })).toEqual([])
    expect(fitsCapabilities(withSteps(residual), { kinds }).map(({ code }) => code)).toEqual(['kind-not-offered'])
  })

  test('the diff tells a new instruction', () => {
    const other = { ...look, measurements: [{ ...look.measurements[0], instruction: 'The cover is closed.' }] }
    expect(diffContents(withSteps(look), withSteps(other))).toMatchObject([
      { path: '/steps/4/measurements/0/instruction', kind: 'changed', from: 'The cord anchorage holds.' },
    ])
    expect(diffContents(withSteps(), withSteps(look))[0]?.sentence).toBe(
      'Step look was added: inspection, 1 measurement.',
    )
  })

  test('a residual voltage without proof of contact is warned of', () => {
    const codes = (step: Wire) =>
      check({ changes: { '/steps': [...planWire.steps, step] } }).findings.flatMap(({ step: at, code }) =>
        at === 'plug-pins' ? [code] : [],
      )
    expect(codes(residual)).toContain('open-lead-unseen')
    expect(codes({ ...residual, contactProvenBy: 'touch' })).not.toContain('open-lead-unseen')
  })
})

describe('a rule that one kind comes before others', () => {
  const order = published(
    {},
    {
      '/table': 'order',
      '/subject': 'protective-bonding',
      '/hitPolicy': 'U',
      '/appliesWhen': undefined,
      '/overrides': undefined,
      '/inputs': [],
      '/outputs': [{ parameter: 'precedes', relation: 'in' }],
      '/rows': [{ row: 'first', when: [], then: ['"electric-strength-ac","electric-strength-dc"'] }],
      '/sources/0/rows': ['first'],
    },
  )
  const after = (step: number, names: string[]) => ({ [`/steps/${step}/after`]: names })
  const findings = (changes: Record<string, unknown>) =>
    check({ changes, tables: [order] }).findings.filter(({ parameter }) => parameter === 'precedes')

  test('is met where every step of them waits for a required step of it', () => {
    expect(findings({})).toEqual([])
    // By way of another step.
    expect(
      findings({
        '/steps': [planWire.steps[0], { ...look, after: ['bond'] }, { ...planWire.steps[1], after: ['look'] }],
      }),
    ).toEqual([])
  })

  test('is not met by the order in which steps are listed, nor by a step that may be left out', () => {
    expect(findings(after(1, []))).toMatchObject([
      {
        severity: 'blocking',
        code: 'requirement-not-met',
        table: 'order',
        step: 'bond',
        relation: 'in',
        demanded: ['electric-strength-ac', 'electric-strength-dc'],
        // The plan has no d.c. strength test, so none comes too early.
        accepted: ['electric-strength-dc'],
      },
      {},
    ])
    expect(findings({ '/steps/0/required': false })).not.toEqual([])
  })

  test('says nothing of a kind that the plan does not have', () => {
    expect(findings({ '/steps': [planWire.steps[0], { ...planWire.steps[2], contactProvenBy: undefined }] })).toEqual(
      [],
    )
  })

  const kinds = ['protective-bonding', 'electric-strength-ac', 'inspection'] as const
  const plans = fc.array(
    fc.record({
      kind: fc.constantFrom(...kinds),
      required: fc.boolean(),
      after: fc.array(fc.nat(5), { maxLength: 3 }),
    }),
    { maxLength: 6 },
  )

  test('holds exactly where no allowed order runs them first', () => {
    fc.assert(
      fc.property(plans, (drawn) => {
        const steps = drawn.map(
          ({ kind, required, after }, index) =>
            ({
              step: `s${index}`,
              kind,
              required,
              after: after.filter((at) => at < index).map((at) => `s${at}`),
            }) as unknown as Step,
        )
        const preceded = kindsPreceded(steps, 'protective-bonding')
        for (const kind of stepKinds) {
          // A step can be run early where nothing that it waits for, at any remove, is a required bond.
          const needs = (name: string): boolean => {
            const step = steps.find((one) => one.step === name)
            return (step?.after ?? []).some((before) => {
              const other = steps.find((one) => one.step === before)
              return (other?.kind === 'protective-bonding' && other.required) || needs(before)
            })
          }
          const canBeEarly = steps.some((step) => step.kind === kind && !needs(step.step))
          expect(preceded.includes(kind)).toBe(!canBeEarly)
        }
      }),
    )
  })
})
