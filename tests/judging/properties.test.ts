import fc from 'fast-check'
import { expect, test } from 'vitest'
import { decimal, formatDecimal } from '../../src/exact/decimal.ts'
import { inUnit, type Quantity, readQuantity } from '../../src/exact/quantity.ts'
import { type UnitCode, unitCodes, units } from '../../src/exact/unit-codes.ts'
import { stressDimensions } from '../../src/judging/admit-shape.ts'
import { decide } from '../../src/judging/decide.ts'
import type { Fact, FactKey } from '../../src/judging/facts.ts'
import { judge } from '../../src/judging/judge.ts'
import { actionOf, sentenceOf } from '../../src/judging/sentences.ts'
import {
  attemptCauses,
  type Measured,
  outcomeOf,
  purposes,
  readingQuantities,
  readingSources,
  type Stresses,
  stationVerdicts,
  stressNames,
  terminations,
  type Upload,
  type UploadMeasurement,
  type UploadStep,
  type Verdict,
  verdicts,
} from '../../src/judging/words.ts'
import {
  baseFacts,
  changedPlan,
  changedUpload,
  compiled,
  context,
  factsFor,
  plan,
  RECEIVED,
  revisionFact,
  stepIn,
  type Wire,
} from './aldermoor.ts'

// Uploads as the schema lets them through: mostly of the plan's shape, in every way wrong now and then.

const maybe = <Value>(arbitrary: fc.Arbitrary<Value>, often = 1) =>
  fc.option(arbitrary, { nil: undefined, freq: often })

function quantity(unitsAllowed: readonly UnitCode[]): fc.Arbitrary<Measured> {
  return fc
    .record({
      digits: fc.integer({ min: -30, max: 40_000 }),
      places: fc.integer({ min: 0, max: 4 }),
      unit: fc.constantFrom(...unitsAllowed),
      relation: fc.constantFrom('=' as const, '=' as const, '=' as const, '<' as const, '>' as const),
      isEmpty: fc.nat(12).map((n) => n === 0),
    })
    .map(({ digits, places, unit, relation, isEmpty }): Measured => {
      if (isEmpty) return 'no-reading'
      const read = readQuantity({ value: formatDecimal(decimal(`${digits}e-${places}`)), unit, relation })
      return 'quantity' in read ? read.quantity : expect.fail('a quantity was written')
    })
}

const unitsOf = (dimension: string) => unitCodes.filter((code) => units[code].dimension === dimension)

const stresses: fc.Arbitrary<Stresses> = fc.record(
  Object.fromEntries(
    stressNames.map((name) => [
      name,
      quantity([...unitsOf(stressDimensions[name]), ...unitsOf(stressDimensions[name]), 'm']),
    ]),
  ),
  { requiredKeys: [] },
)

function measurement(keys: readonly string[]): fc.Arbitrary<UploadMeasurement> {
  return fc.record(
    {
      measurement: fc.constantFrom(...keys, ...keys, 'elsewhere'),
      termination: fc.constantFrom('completed' as const, 'completed' as const, ...terminations),
      stationVerdict: maybe(fc.constantFrom(...stationVerdicts)),
      network: maybe(fc.constantFrom('iec-60990-figure-4', 'none')),
      stress: stresses,
      reading: maybe(
        fc.record(
          {
            quantity: fc.constantFrom(...readingQuantities),
            detector: fc.constantFrom('rms', 'peak'),
            value: quantity(['mA', 'uA', 'mOhm', 'MOhm', 'V']),
          },
          { requiredKeys: ['quantity', 'value'] },
        ),
        5,
      ),
    },
    { requiredKeys: ['measurement', 'termination', 'stress'] },
  )
}

const steps: fc.Arbitrary<UploadStep>[] = plan.steps.map((planned) =>
  fc
    .record(
      {
        step: fc.constantFrom(planned.step, planned.step, planned.step, 'strength'),
        at: fc.integer({ min: -500, max: 40_000 }),
        tookMs: fc.integer({ min: -10, max: 9_000 }),
        stationVerdict: fc.constantFrom(...stationVerdicts),
        network: fc.constantFrom('iec-60990-figure-4', 'none'),
        stress: stresses,
        leadOffset: fc.record({
          value: quantity(['mOhm', 'Ohm']),
          takenAt: fc.integer({ min: -60_000_000, max: 60_000 }).map((ago) => RECEIVED + ago),
          person: fc.constant('P-0398'),
          subtractedBy: fc.constantFrom('server' as const, 'station' as const),
        }),
        measurements: fc.array(measurement(planned.measurements.map((one) => one.measurement)), {
          minLength: 1,
          maxLength: 5,
        }),
      },
      { requiredKeys: ['step', 'at', 'tookMs', 'stress', 'measurements'] },
    )
    .map(({ at, tookMs, ...step }) => ({
      ...step,
      startedAt: RECEIVED - 40_000 + at,
      endedAt: RECEIVED - 40_000 + at + tookMs,
    })),
)

const example = changedUpload()
const uploads: fc.Arbitrary<Upload> = fc
  .record(
    {
      sentAt: fc.integer({ min: -130_000, max: 130_000 }).map((skew) => RECEIVED + skew),
      startedAgoMs: fc.nat(60_000),
      startedAt: fc.integer({ min: -50_000, max: 100 }).map((ago) => RECEIVED + ago),
      endedAt: fc.integer({ min: -2_000, max: 100 }).map((ago) => RECEIVED + ago),
      stationVerdict: fc.constantFrom(...stationVerdicts),
      attemptCause: fc.constantFrom(...attemptCauses),
      purpose: fc.constantFrom('production' as const, ...purposes),
      source: fc.constantFrom(...readingSources),
      variant: fc.constantFrom('EX36-3M', 'EX36-3M', 'EX36-5M', 'EX36-9M'),
      serial: fc.oneof(fc.constant('EX36-26-004417'), fc.constant('EX36-26-004417'), fc.string({ minLength: 1 })),
      programming: fc.constantFrom('PG-0192', 'PG-0001'),
      instrument: fc.constantFrom('INS-0031', 'INS-0031', 'INS-0099'),
      revision: fc.constantFrom(7, 7, 7, 6),
      steps: fc.tuple(...steps).chain((all) => fc.subarray(all)),
    },
    {
      requiredKeys: [
        'sentAt',
        'startedAt',
        'endedAt',
        'purpose',
        'source',
        'serial',
        'instrument',
        'revision',
        'steps',
      ],
    },
  )
  .map((changes) => {
    const {
      variant: _variant,
      programming: _programming,
      stationVerdict: _stationVerdict,
      attemptCause: _cause,
      ...rest
    } = example
    return { ...rest, ...changes }
  })

/** The example with a few numbers and its clock changed: most of these count. */
const plausible: fc.Arbitrary<Upload> = fc
  .record({
    skewMs: fc.constantFrom(130, 130, 130, 60_000, -60_000, 130_000),
    volts: fc.integer({ min: 1_190, max: 1_300 }),
    bond: fc.integer({ min: 100, max: 4_000 }),
    strength: fc.integer({ min: 50, max: 800 }),
    touch: fc.integer({ min: 1, max: 300 }),
    ohms: fc.integer({ min: 1, max: 400 }),
    hasFrequency: fc.nat(9).map((n) => n > 0),
  })
  .map(({ skewMs, volts, bond, strength, touch, ohms, hasFrequency }) => {
    const upload = changedUpload((wire) => {
      for (const part of [wire, ...wire.steps]) delete part.stationVerdict
      const reading = (step: string, index: number) => stepIn(wire, step).measurements[index].reading
      reading('bond', 0).value = formatDecimal(decimal(`${bond}e-1`))
      reading('strength', 0).value = formatDecimal(decimal(`${strength}e-2`))
      reading('touch', 2).value = formatDecimal(decimal(`${touch}e-2`))
      Object.assign(reading('insulation', 0), {
        value: formatDecimal(decimal(`${ohms}e-2`)),
        unit: 'MOhm',
        relation: '=',
      })
      stepIn(wire, 'strength').measurements[0].testVoltage.value = String(volts)
      if (!hasFrequency) delete stepIn(wire, 'strength').measurements[0].frequency
    })
    return { ...upload, sentAt: RECEIVED - skewMs }
  })

const replaced: fc.Arbitrary<Partial<Record<FactKey, Fact | null>>> = fc.constantFrom(
  {},
  {},
  { 'station/LDS-F2': null },
  { 'product/EX36': null },
  { 'revision/ex36-final/7': { ...revisionFact, check: null } },
  { 'revision/ex36-final/7': { ...revisionFact, inForce: [], approvedAt: null } },
  // Ends between the start as sent and as corrected.
  {
    'revision/ex36-final/7': {
      ...revisionFact,
      inForce: [{ variant: 'EX36-3M', from: 0, until: example.startedAt - 100 }],
    },
  },
  { 'instrument/INS-0031': { ...baseFacts['instrument/INS-0031'], programs: null } },
)

const rank = (verdict: Verdict) => verdicts.indexOf(verdict)

test('admission and judgement are total, and agree with their own codes', () => {
  const reached = new Set<string>()
  fc.assert(
    fc.property(fc.oneof(uploads, plausible), replaced, (upload, facts) => {
      const decision = decide(upload, factsFor(upload, facts), context)
      expect(decision.outcome).toBe(outcomeOf(decision.codes))
      expect(decision.judgement === null).toBe(decision.outcome === 'rejected')
      expect(decision.verdict).toBe(decision.judgement?.verdict ?? null)
      if (decision.admission.needsCheck) expect(decision.outcome).not.toBe('rejected')
      for (const { code, facts: told } of decision.codes) {
        reached.add(code)
        expect(sentenceOf(code, told).length).toBeGreaterThan(10)
        expect(actionOf(code).length).toBeGreaterThan(10)
      }
      reached.add(decision.outcome)
    }),
    { numRuns: 1_500 },
  )
  // Too tame a stream of uploads would prove nothing.
  const words = ['accepted', 'held', 'rejected', 'field-invalid', 'frequency-missing', 'over-stress', 'clock-skew']
  for (const word of [...words, 'clock-stepped', 'clock-implausible', 'start-uncertain', 'serial-not-allowed']) {
    expect(reached).toContain(word)
  }
})

test('a judgement is the worst of its parts, whatever was sent', () => {
  const seen = new Set<string>()
  fc.assert(
    fc.property(fc.oneof(uploads, plausible), fc.constantFrom('EX36-3M', 'EX36-5M'), (sent, variant) => {
      // Admission refuses a step that is there twice; which of the two would be judged is then no matter.
      const upload = {
        ...sent,
        steps: sent.steps.filter(({ step }, at) => sent.steps.findIndex((one) => one.step === step) === at),
      }
      const judgement = judge(upload, compiled(plan, variant))
      let worst = rank('pass')
      for (const [index, step] of judgement.steps.entries()) {
        if (step.verdict === 'not-run') {
          expect(step.measurements).toEqual([])
          worst = Math.min(worst, rank('incomplete'))
          continue
        }
        const said = upload.steps.find((one) => one.step === step.step)?.stationVerdict
        const parts = step.measurements.map(({ verdict }) => rank(verdict))
        expect(rank(step.verdict)).toBe(Math.min(...parts, rank(said ?? 'pass')))
        expect(parts.length).toBe(plan.steps[index]?.measurements.length)
        worst = Math.min(worst, rank(step.verdict))
        for (const { reasons, verdict, margin, judged } of step.measurements) {
          for (const { code, facts } of reasons) {
            seen.add(code)
            expect(sentenceOf(code, facts)).not.toContain('unknown')
          }
          if (verdict !== 'pass') expect(reasons.length).toBeGreaterThan(0)
          if (margin !== undefined) expect(judged).toBeDefined()
        }
      }
      expect(rank(judgement.verdict)).toBe(Math.min(worst, rank(upload.stationVerdict ?? 'pass')))
      seen.add(judgement.verdict)
    }),
    { numRuns: 1_500 },
  )
  for (const code of [
    'above-limit',
    'stress-below-plan',
    'stress-above-plan',
    'open-lead-suspected',
    'order-wrong',
    'arc',
    'lead-offset-subtracted',
    'contact-not-proven',
    'measurement-missing',
    'fail',
    'invalid',
  ]) {
    expect(seen).toContain(code)
  }
})

/** The same quantity in another unit of its dimension. */
function inOther(measured: Measured, pick: number): Measured {
  if (measured === 'no-reading') return measured
  // Minute and hour have no exact reciprocal, so a number of seconds is not always one of theirs.
  const codes = unitsOf(measured.dimension).filter((code) => code !== 'min' && code !== 'h')
  const unit = codes[pick % codes.length] ?? measured.unit
  const read = readQuantity({ value: formatDecimal(inUnit(measured.value, unit)), unit, relation: measured.relation })
  return 'quantity' in read ? (read.quantity satisfies Quantity) : expect.fail('it is a quantity')
}

function allInOther(upload: Upload, pick: number): Upload {
  const stressed = (stress: Stresses): Stresses =>
    Object.fromEntries(Object.entries(stress).map(([name, measured]) => [name, measured && inOther(measured, pick)]))
  return {
    ...upload,
    steps: upload.steps.map((step) => ({
      ...step,
      stress: stressed(step.stress),
      ...(step.leadOffset && { leadOffset: { ...step.leadOffset, value: inOther(step.leadOffset.value, pick) } }),
      measurements: step.measurements.map((one) => ({
        ...one,
        stress: stressed(one.stress),
        ...(one.reading && { reading: { ...one.reading, value: inOther(one.reading.value, pick) } }),
      })),
    })),
  }
}

test('equal quantities in other units give equal verdicts, numbers and margins', () => {
  fc.assert(
    fc.property(uploads, fc.nat(20), (upload, pick) => {
      const stripped = (run: Upload) =>
        judge(run, compiled()).steps.map(({ verdict, measurements }) => [
          verdict,
          measurements.map(({ reasons, ...one }) => ({ ...one, codes: reasons.map(({ code }) => code) })),
        ])
      expect(stripped(allInOther(upload, pick))).toEqual(stripped(upload))
    }),
    { numRuns: 500 },
  )
})

test('widening a limit never turns a pass into anything else, nor a fail by it into worse', () => {
  const scaled = (wire: Wire, factor: number) => {
    for (const step of wire.steps) {
      if (step.limitUpper?.value) step.limitUpper.value = String(Number(step.limitUpper.value) * factor)
      const variants = step.limitUpper?.byVariant
      if (variants) for (const name of Object.keys(variants)) variants[name] = String(Number(variants[name]) * factor)
      if (step.limitLower) step.limitLower.value = String(Number(step.limitLower.value) / factor)
    }
  }
  const narrow = compiled()
  const wide = [2, 4, 16].map((factor) => compiled(changedPlan((wire) => scaled(wire, factor))))
  const outcomes = new Set<string>()
  fc.assert(
    fc.property(fc.oneof(plausible, plausible, uploads), fc.constantFrom(...wide), (upload, wider) => {
      const before = judge(upload, narrow).steps.flatMap(({ measurements }) => measurements)
      const after = judge(upload, wider).steps.flatMap(({ measurements }) => measurements)
      for (const [index, one] of before.entries()) {
        const other = after[index]?.verdict
        outcomes.add(`${one.verdict} to ${other}`)
        if (one.verdict === 'pass') expect(other).toBe('pass')
        if (one.verdict === 'invalid' || one.verdict === 'incomplete') expect(other).toBe(one.verdict)
      }
    }),
    { numRuns: 1_000 },
  )
  expect(outcomes).toContain('fail to pass')
  expect(outcomes).toContain('fail to fail')
})
