import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { add, compare, type Decimal, decimal, formatDecimal, subtract } from '../../src/exact/decimal.ts'
import { inUnit } from '../../src/exact/quantity.ts'
import { type UnitCode, unitCodes, units } from '../../src/exact/unit-codes.ts'
import { placeOver, placeUnder } from '../../src/judging/limit.ts'
import { limitValue } from '../../src/plans/accepted.ts'
import { acceptedEnds, canonical } from '../../src/plans/windows.ts'
import { type Limit, type PlanContent, PlanContentWire, unitCode, type Window } from '../../src/plans/words.ts'
import { diffContents } from '../../src/review/diff.ts'
import type { Change, ChangeKind } from '../../src/review/diff-words.ts'
import { plan } from '../plans/aldermoor.ts'
import { planWire } from '../support/aldermoor.ts'

type Json = Record<string, unknown>

// ------------------------------------------------------------------------------------- any plan near the EX36's

const digits = fc.constantFrom('0.5', '1', '1.0', '2', '3', '1e1')
const quantity = (unit: string) => fc.record({ value: digits, unit: fc.constant(unit) })
const window = (unit: string) =>
  fc.record({ set: digits, least: digits, most: digits, unit: fc.constant(unit) }, { requiredKeys: ['unit'] })
const limit = (unit: string) => {
  const rest = { unit: fc.constant(unit), inclusive: fc.boolean() }
  const byVariant = fc.dictionary(fc.constantFrom('EX36-3M', 'EX36-5M', 'EX36-8M'), digits, { minKeys: 1 })
  return fc.oneof(fc.record({ value: digits, ...rest }), fc.record({ byVariant, ...rest }))
}
const formula = fc.constantFrom('100 + earthCoreResistance', '100+earthCoreResistance', 'earthCoreResistance')
const absent = fc.constant(undefined)

/** What a step or its first measurement may say instead, by the step's place in the EX36's plan. */
const settings: readonly [step: number, member: string, value: fc.Arbitrary<unknown>][] = [
  [0, 'testCurrent', window('A')],
  [0, 'limitUpper', limit('Ohm')],
  [0, 'limitLower', fc.oneof(limit('mOhm'), absent)],
  [0, 'leadOffset', fc.oneof(fc.record({ most: quantity('mOhm'), ageMax: quantity('h') }), absent)],
  [0, 'method', fc.constantFrom('two-wire', 'four-wire')],
  [1, 'testVoltage', window('kV')],
  [1, 'rampDown', fc.oneof(window('s'), absent)],
  [1, 'tripCurrent', quantity('mA')],
  [1, 'openLeadMinimum', fc.oneof(quantity('mA'), absent)],
  [1, 'arcDetection', fc.oneof(fc.record({ threshold: quantity('mA') }), absent)],
  [1, 'limitInRamp', fc.boolean()],
  [2, 'limitLower', limit('MOhm')],
  [2, 'endEarlyOnPass', fc.boolean()],
  [2, 'contactProvenBy', fc.oneof(fc.constantFrom('bond', 'strength'), absent)],
  [3, 'detector', fc.constantFrom('rms', 'peak')],
  [3, 'supplyVoltage', window('V')],
]

type Edit = (wire: { sites?: unknown; steps: Json[] } & Json) => void

function measurementsOf(step: Json | undefined): Json[] {
  return (step?.['measurements'] ?? []) as Json[]
}

function put(holder: Json | undefined, member: string, value: unknown): void {
  if (holder === undefined) return
  if (value === undefined) delete holder[member]
  else holder[member] = value
}

const edits: fc.Arbitrary<Edit> = fc.oneof(
  fc.constantFrom(...settings).chain(([step, member, arbitrary]) =>
    fc.tuple(arbitrary, fc.boolean()).map(
      ([value, isOwn]): Edit =>
        (wire) => {
          const holder = isOwn ? measurementsOf(wire.steps[step])[0] : wire.steps[step]
          if (isOwn || value !== undefined || (member !== 'method' && member !== 'detector')) put(holder, member, value)
        },
    ),
  ),
  fc.tuple(fc.nat(3), fc.boolean()).map(
    ([step, required]): Edit =>
      (wire) =>
        put(wire.steps[step], 'required', required),
  ),
  fc.tuple(fc.nat(3), fc.uniqueArray(fc.constantFrom('bond', 'strength', 'insulation'), { maxLength: 3 })).map(
    ([step, after]): Edit =>
      (wire) =>
        put(wire.steps[step], 'after', after),
  ),
  fc.tuple(fc.nat(3), fc.nat(3)).map(
    ([step, at]): Edit =>
      (wire) => {
        const list = measurementsOf(wire.steps[step])
        if (list.length > 1) list.splice(at, 1)
      },
  ),
  fc.nat(3).map(
    (step): Edit =>
      (wire) =>
        void measurementsOf(wire.steps[step]).reverse(),
  ),
  fc.tuple(fc.nat(3), fc.nat(3), fc.constantFrom('x', 'y')).map(
    ([step, at, key]): Edit =>
      (wire) => {
        const list = measurementsOf(wire.steps[step])
        if (list.every(({ measurement }) => measurement !== key)) put(list[at], 'measurement', key)
      },
  ),
  fc.constantFrom(undefined, ['leeds'], ['osaka'], ['osaka', 'leeds']).map(
    (sites): Edit =>
      (wire) =>
        put(wire, 'sites', sites),
  ),
  formula.map(
    (text): Edit =>
      (wire) =>
        put(wire.steps[0]?.['limitUpper'] as Json, 'formula', text),
  ),
  quantity('min').map(
    (value): Edit =>
      (wire) =>
        put(wire, 'runDurationMax', value),
  ),
)

/** Changes of whole steps come last, since the edits above find steps by their place. */
const stepEdits: fc.Arbitrary<Edit> = fc.oneof(
  fc.tuple(fc.nat(3), fc.nat(3)).map(
    ([step, to]): Edit =>
      ({ steps }) =>
        void steps.splice(to, 0, ...steps.splice(step, 1)),
  ),
  fc.nat(3).map(
    (step): Edit =>
      ({ steps }) =>
        void (steps.length > 1 && steps.splice(step, 1)),
  ),
  fc.tuple(fc.nat(3), fc.constantFrom('bond', 'strength', 'other')).map(
    ([at, key]): Edit =>
      ({ steps }) => {
        const old = steps[at]?.['step']
        if (old === undefined || steps.some(({ step }) => step === key)) return
        put(steps[at], 'step', key)
        for (const step of steps) {
          put(
            step,
            'after',
            (step['after'] as string[]).map((name) => (name === old ? key : name)),
          )
          if (step['contactProvenBy'] === old) put(step, 'contactProvenBy', key)
        }
      },
  ),
)

/** Content that names a step which is not there is never stored. */
function dropUnknownSteps(steps: readonly Json[]): void {
  const known = new Set(steps.map(({ step }) => step))
  for (const step of steps) {
    put(
      step,
      'after',
      (step['after'] as string[]).filter((name) => known.has(name)),
    )
    for (const holder of [step, ...measurementsOf(step)]) {
      if (!known.has(holder['contactProvenBy'])) put(holder, 'contactProvenBy', undefined)
    }
  }
}

const contents: fc.Arbitrary<PlanContent> = fc
  .tuple(fc.array(edits, { maxLength: 4 }), fc.array(stepEdits, { maxLength: 2 }))
  .map(([first, last]) => {
    const wire = structuredClone(planWire) as unknown as Parameters<Edit>[0]
    for (const edit of [...first, ...last]) edit(wire)
    dropUnknownSteps(wire.steps)
    return PlanContentWire.parse(wire)
  })

// ------------------------------------------------------------------------------------- what a diff keeps to

const opposite: Readonly<Partial<Record<ChangeKind, ChangeKind>>> = {
  tightened: 'loosened',
  loosened: 'tightened',
  added: 'removed',
  removed: 'added',
}

/** The changes as they are to be told the other way round, in no order; percentages have another base there. */
function mirrored(changes: readonly Change[]): string[] {
  const newStep = new Map(changes.filter(({ member }) => member === 'step').map(({ from, to }) => [to, from]))
  const newMeasurement = new Map(
    changes.filter(({ member }) => member === 'measurement').map(({ step, from, to }) => [`${step} ${to}`, from]),
  )
  return changes
    .map(({ step, measurement, variants, member, kind, from, to }) =>
      brief({
        // What is new or gone is called by the only name it has.
        step: (member === null && measurement === null ? undefined : newStep.get(step)) ?? step,
        measurement: (member === null ? undefined : newMeasurement.get(`${step} ${measurement}`)) ?? measurement,
        variants,
        member,
        kind: opposite[kind] ?? kind,
        from: to,
        to: from,
      }),
    )
    .sort()
}

function brief({ step, measurement, variants, member, kind, from, to }: Record<string, unknown>): string {
  const names = Array.isArray(variants) ? variants.toSorted() : variants
  return JSON.stringify([step, measurement, names, member, kind, from, to])
}

function at(content: unknown, pointer: string): unknown {
  return pointer
    .split('/')
    .slice(1)
    .reduce((holder: unknown, name) => (holder as Json | undefined)?.[name], content)
}

test('a revision differs from itself in nothing', () => {
  fc.assert(
    fc.property(contents, (content) => {
      expect(diffContents(content, structuredClone(content))).toEqual([])
    }),
  )
})

test('the other way round it says the opposite', () => {
  const seen = new Set<ChangeKind>()
  fc.assert(
    fc.property(contents, contents, (a, b) => {
      const changes = diffContents(a, b)
      for (const { kind } of changes) seen.add(kind)
      expect(diffContents(b, a).map(brief).sort()).toEqual(mirrored(changes))
    }),
    { numRuns: 400 },
  )
  // The test says something only if it comes to every kind.
  expect([...seen].sort()).toEqual(
    ['tightened', 'loosened', 'added', 'removed', 'changed', 'reworded', 'renamed', 'reordered'].sort(),
  )
})

test('every change points to something that is there, and has a sentence', () => {
  fc.assert(
    fc.property(contents, contents, (a, b) => {
      for (const { path, kind, to, from, sentence } of diffContents(a, b)) {
        if (to !== null || kind === 'removed') expect(at(kind === 'removed' ? a : b, path), path).toBeDefined()
        expect([from, to]).not.toEqual([null, null])
        expect(sentence).toMatch(/^(Step|The) .+\.$/)
        expect(sentence).not.toMatch(/undefined|null|\[object/)
      }
    }),
    { numRuns: 200 },
  )
})

/** The same quantities in other units: values of windows, limits and quantities alike. */
function respelled(value: unknown, choose: (codes: readonly UnitCode[]) => UnitCode): unknown {
  if (Array.isArray(value)) return value.map((one) => respelled(one, choose))
  if (typeof value !== 'object' || value === null) return value
  const { unit, formula: _formula, ...members } = value as Json
  if (typeof unit !== 'string') {
    return Object.fromEntries(Object.entries(value).map(([name, member]) => [name, respelled(member, choose)]))
  }
  const { dimension } = units[unitCode(unit)]
  // A second is seldom a whole part of a minute or an hour.
  const isExact = (code: UnitCode) => code !== 'min' && code !== 'h'
  const other = choose(unitCodes.filter((code) => units[code].dimension === dimension && isExact(code)))
  const write = (text: string) => formatDecimal(inUnit(canonical(text, unit), other))
  const texts = (member: unknown): unknown =>
    typeof member === 'string' ? write(member) : mapped(member as Json | boolean, texts)
  return { ...(mapped(members, texts) as Json), unit: other }
}

function mapped(value: Json | boolean, map: (member: unknown) => unknown): unknown {
  if (typeof value === 'boolean') return value
  return Object.fromEntries(Object.entries(value).map(([name, member]) => [name, map(member)]))
}

test('other units for the same quantities change nothing', () => {
  fc.assert(
    fc.property(contents, fc.array(fc.nat(), { minLength: 200, maxLength: 200 }), (content, choices) => {
      let count = 0
      const choose = (codes: readonly UnitCode[]) => {
        const choice = choices[count++ % choices.length] ?? 0
        return codes[choice % codes.length] ?? 'V'
      }
      // A formula is in the unit of its limit, so the same text in another unit is a change; it is taken out.
      const keep = (codes: readonly UnitCode[]) => codes[0] ?? 'V'
      const before = PlanContentWire.parse(respelled(content, keep))
      expect(diffContents(before, PlanContentWire.parse(respelled(content, choose)))).toEqual([])
    }),
  )
})

test('a change of anything that the content says is seen', () => {
  const other: Readonly<Record<string, unknown>> = {
    '/productDigest': `sha256:${'0'.repeat(64)}`,
    '/steps/0/method': 'four-wire',
    '/steps/2/contactProvenBy': 'bond',
  }
  let count = 0
  const visit = (value: unknown, pointer: string): void => {
    if (typeof value === 'object' && value !== null) {
      for (const [name, member] of Object.entries(value)) visit(member, `${pointer}/${name}`)
      return
    }
    for (const replacement of [other[pointer], 'peak', 'open', 'reversed', 'reinforced', '0.123', 7, !value, 'k']) {
      const copy = structuredClone(planWire) as unknown as Json
      const holder = at(copy, pointer.slice(0, pointer.lastIndexOf('/'))) as Json
      holder[pointer.slice(pointer.lastIndexOf('/') + 1)] = replacement
      const read = PlanContentWire.safeParse(copy)
      if (replacement === value || !read.success) continue
      count += 1
      const isSeen = diffContents(plan(), read.data).length > 0
      // The value set there is the least that is taken out, so that it stays the least.
      const isSaidTwice = pointer === '/steps/2/readAt/least' && replacement === undefined
      const isNews = !/^\/(plan|revision)$/.test(pointer) && !isSaidTwice
      expect([pointer, replacement, isSeen]).toEqual([pointer, replacement, isNews])
    }
  }
  visit(planWire, '')
  expect(count).toBeGreaterThan(80)
})

describe('the direction is the judge’s', () => {
  const step = decimal('0.001')
  /** Numbers on the ends and on either side of them. */
  const around = (ends: readonly (Decimal | undefined)[]) =>
    ends.flatMap((end) => (end ? [end, add(end, step), subtract(end, step)] : []))
  const relations = ['=', '<', '>'] as const

  test.each([
    ['limitUpper', placeUnder],
    ['limitLower', placeOver],
  ] as const)(
    'a tightened %s passes nothing that failed, a loosened one fails nothing that passed',
    (member, place) => {
      const seen = new Set<ChangeKind>()
      fc.assert(
        fc.property(limit('Ohm'), limit('Ohm'), (a, b) => {
          const [from, to] = [a, b].map((one) => plan({ [`/steps/0/${member}`]: one })) as [PlanContent, PlanContent]
          const changes = diffContents(from, to).filter(
            (one) => one.member === member && !one.path.endsWith('/formula'),
          )
          for (const variant of ['EX36-3M', 'EX36-5M', 'EX36-8M']) {
            const [before, now] = [limitValue(a as Limit, variant), limitValue(b as Limit, variant)]
            if (!before || !now) continue
            const kind = changes.find(({ variants }) => variants?.includes(variant) ?? true)?.kind
            if (kind) seen.add(kind)
            for (const numerator of around([before, now])) {
              for (const relation of relations) {
                const number = { numerator, divisor: null, relation, isBoundIncluded: false }
                const was = place(number, { value: before, inclusive: a.inclusive })
                const is = place(number, { value: now, inclusive: b.inclusive })
                if (kind === undefined) expect(is).toBe(was)
                if (kind === 'tightened' && was === 'beyond') expect(is).toBe('beyond')
                if (kind === 'loosened' && was === 'within') expect(is).toBe('within')
              }
            }
          }
        }),
        { numRuns: 200 },
      )
      expect([...seen].sort()).toEqual(['loosened', 'tightened'])
    },
  )

  test('a tightened window accepts nothing that was refused, and refuses something that was accepted', () => {
    const accepts = (given: Window, value: Decimal) => {
      const { least, most } = acceptedEnds('supplyVoltage', given)
      return (least === undefined || compare(value, least) >= 0) && (most === undefined || compare(value, most) <= 0)
    }
    const proper = window('V').filter(
      ({ set, least, most }) => !most || !(least ?? set) || accepts({ least: least ?? set, unit: 'V' }, decimal(most)),
    )
    const seen = new Set<ChangeKind>()
    fc.assert(
      fc.property(proper, proper, (a, b) => {
        const [from, to] = [a, b].map((one) => plan({ '/steps/3/supplyVoltage': one })) as [PlanContent, PlanContent]
        // What is accepted is told before what is set.
        const [change] = diffContents(from, to)
        if (change === undefined) return
        seen.add(change.kind)
        if (change.kind === 'changed') return
        const ends = [a, b].map((one) => acceptedEnds('supplyVoltage', one)).flatMap(({ least, most }) => [least, most])
        const values = around(ends)
        const [looser, tighter] = change.kind === 'loosened' ? [b, a] : [a, b]
        expect(values.filter((value) => accepts(tighter, value) && !accepts(looser, value))).toEqual([])
        expect(values.filter((value) => accepts(looser, value) && !accepts(tighter, value))).not.toEqual([])
      }),
      { numRuns: 200 },
    )
    expect([...seen].sort()).toEqual(['changed', 'loosened', 'tightened'])
  })
})
