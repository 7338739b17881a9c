import fc from 'fast-check'
import { expect, test } from 'vitest'
import { checkPlanContent } from '../../src/plans/content-check.ts'
import type { PublishedTable } from '../../src/plans/rule-timeline.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import { checkProductContent } from '../../src/products/content.ts'
import { type ProductContent, ProductContentWire } from '../../src/products/words.ts'
import type { Proposed } from '../../src/proposal/propose.ts'
import { compileTable } from '../../src/rules/compile-table.ts'
import {
  type EditionContent,
  EditionContentWire,
  parameterNature,
  type StepKind,
  type Subject,
  stepKinds,
} from '../../src/rules/words.ts'
import { propose, tableOf } from './house.ts'

/** Hundreds of proposals, on a machine that has other work. */
const TIME_MAX_MS = 60_000

// ------------------------------------------------------------------------------------------------ products

const number = (least: number, most: number) => fc.integer({ min: least, max: most }).map(String)
const hostile = fc.constantFrom('0', '1e-30', '1e30', '0.000001', '999999999999')

const attributesOf = (values: fc.Arbitrary<string>, capacitance: fc.Arbitrary<string>) =>
  fc.record({
    protectionClass: fc.constantFrom('0', '0I', 'I', 'II', 'III'),
    phases: fc.constantFrom(1, 3),
    ratedVoltage: values,
    ratedFrequency: fc.oneof(fc.constantFrom('50', '60'), values),
    capacitance: fc.option(capacitance),
    tolerance: number(0, 90),
    pairs: fc.uniqueArray(
      fc.tuple(
        fc.constantFrom('live', 'line', 'protective-conductor', 'housing'),
        fc.constantFrom('accessible-metal', 'protective-conductor', 'neutral', 'collar'),
        fc.constantFrom('functional', 'basic', 'double', 'reinforced'),
      ),
      { selector: ([a, b]) => [a, b].sort().join(), minLength: 1, maxLength: 4 },
    ),
    variants: fc.uniqueArray(fc.tuple(fc.constantFrom('A', 'B', 'C'), number(1, 200)), { selector: ([name]) => name }),
  })

function productOf(given: ReturnType<typeof attributesOf> extends fc.Arbitrary<infer Value> ? Value : never) {
  const read = ProductContentWire.safeParse({
    product: 'DX1',
    version: 1,
    name: 'Dust extractor DX1',
    family: 'dust-extractor',
    attributes: {
      protectionClass: given.protectionClass,
      functionalEarth: true,
      phases: given.phases,
      ratedVoltage: { value: given.ratedVoltage, unit: 'V' },
      ratedFrequency: { value: given.ratedFrequency, unit: 'Hz' },
      ...(given.capacitance !== null && { liveToEarthCapacitance: { value: given.capacitance, unit: 'pF' } }),
      capacitanceTolerance: { value: given.tolerance, unit: '%' },
      insulations: given.pairs.map(([a, b, insulation]) => ({ between: [a, b], insulation })),
      earthedParts: ['housing', 'collar'],
    },
    variants: given.variants.map(([variant, core]) => ({
      variant,
      attributes: { earthCoreResistance: { value: core, unit: 'mOhm' } },
    })),
    serialRule: { pattern: '^DX1-[0-9]{6}$', letters: 'upper', trim: true },
    ruleSets: ['house'],
    operationsRequired: ['final'],
  })
  return read.success && checkProductContent(read.data).length === 0 ? read.data : undefined
}

// ------------------------------------------------------------------------------------------------ tables

interface Output {
  readonly parameter: string
  readonly relation: string
  readonly unit?: string
  readonly cell: string
}

let tablesMade = 0

function table(subject: Subject, rows: readonly (readonly Output[])[], rulesVersion: number, from = 0): PublishedTable {
  return tableOf(editionOf(subject, rows), rulesVersion, from)
}

function editionOf(subject: Subject, rows: readonly (readonly Output[])[]): EditionContent {
  tablesMade += 1
  const columns = new Map<string, Output>()
  for (const output of rows.flat()) columns.set(`${output.parameter} ${output.relation}`, output)
  const names = rows.map((_, index) => `r${index}`)
  return EditionContentWire.parse({
    table: `t${tablesMade}`,
    edition: 1,
    title: 'Invented',
    ruleSet: 'house',
    subject,
    hitPolicy: 'C',
    inputs: [],
    outputs: [...columns.values()].map(({ parameter, relation, unit }) => ({
      parameter,
      relation,
      ...(unit && { unit }),
    })),
    rows: rows.map((row, index) => ({
      row: names[index],
      when: [],
      then: [...columns.keys()].map(
        (key) => row.find(({ parameter, relation }) => `${parameter} ${relation}` === key)?.cell ?? '-',
      ),
    })),
    sources: [
      {
        rows: names,
        document: 'Invented',
        documentEdition: '1',
        clause: '1',
        use: 'routine',
        verification: 'invented',
      },
    ],
  })
}

const unitOf = {
  voltage: 'V',
  current: 'mA',
  resistance: 'mOhm',
  time: 's',
  frequency: 'Hz',
  'voltage-rate': 'V/s',
} as const

/** Any demands whatever: they need not go together, nor with the kind of step. */
const anyRow = (subject: StepKind) =>
  fc
    .array(
      fc
        .tuple(
          fc.constantFrom(
            'testVoltage',
            'dwell',
            'rampUp',
            'rampRate',
            'testCurrent',
            'sourceVoltage',
            'tripCurrent',
            'limitUpper',
            'limitLower',
            'frequency',
            'residualVoltage',
            'limitInRamp',
            'precedes',
          ) as fc.Arbitrary<Parameters<typeof parameterNature>[0]>,
          fc.constantFrom('>=', '<=', '=', 'in'),
          fc.oneof(number(0, 5000), fc.constantFrom('0.001', '1 / 3', '1e9')),
          fc.constantFrom(...stepKinds),
        )
        .map(([parameter, relation, value, kind]): Output | undefined => {
          const nature = parameterNature(parameter, subject)
          if (nature === undefined) return undefined
          if (nature === 'flag') return { parameter, relation: '=', cell: relation === '=' ? 'true' : 'false' }
          if (nature === 'kinds') return { parameter, relation: 'in', cell: `"${kind}"` }
          const unit = unitOf[nature.dimension as keyof typeof unitOf]
          return { parameter, relation, unit, cell: relation === 'in' ? '[10..4000)' : value }
        }),
      { minLength: 1, maxLength: 4 },
    )
    .map((outputs) => {
      const kept = new Map<string, Output>()
      for (const one of outputs) if (one) kept.set(one.parameter, one)
      return [...kept.values()]
    })

const anyTable = fc.constantFrom(...stepKinds).chain((subject) =>
  fc.tuple(
    fc.constant(subject),
    fc.array(
      anyRow(subject).filter((row) => row.length > 0),
      { minLength: 1, maxLength: 3 },
    ),
    fc.constantFrom(0, 500),
  ),
)

/** Those that compile: two columns of one parameter with different relations, or a cell that its column does not take, do not. */
function tablesOf(given: readonly (readonly [StepKind, readonly (readonly Output[])[], number])[]): PublishedTable[] {
  return given.flatMap(([subject, rows, from], index) => {
    const content = editionOf(subject, rows)
    return 'refusals' in compileTable(content) ? [] : [tableOf(content, index + 2, from)]
  })
}

// ------------------------------------------------------------------------------------------------ what holds

/** Every decimal number in the content, by its pointer; keys and words are none. */
function numbersIn(value: unknown, at = ''): string[] {
  if (typeof value !== 'object' || value === null) return []
  return Object.entries(value).flatMap(([name, member]) => {
    const pointer = `${at}/${name}`
    const isNumber = ['value', 'set', 'least', 'most'].includes(name) || at.endsWith('/byVariant')
    return isNumber && typeof member === 'string' ? [pointer] : numbersIn(member, pointer)
  })
}

function at(content: unknown, pointer: string): unknown {
  let found: unknown = content
  for (const name of pointer.split('/').slice(1)) found = (found as Record<string, unknown>)[name]
  return found
}

function expectWhole({ content, reasons, open, check }: Proposed, product: ProductContent): void {
  expect(PlanContentWire.safeParse(content).error).toBeUndefined()
  expect(checkPlanContent(content, product)).toEqual([])
  for (const { pointer, value } of reasons) expect(String(at(content, pointer)), pointer).toBe(value)
  const reasoned = new Set(reasons.map(({ pointer }) => pointer))
  expect(numbersIn(content).filter((pointer) => !reasoned.has(pointer))).toEqual([])
  for (const { pointer } of open) if (pointer !== null) at(content, pointer)
  const blocking = check.findings.filter(({ severity }) => severity === 'blocking')
  if (blocking.length > 0) expect(open).not.toEqual([])
  else expect(check.verdict).toBe('conforms')
}

test(
  'whatever the product and the rules, the proposal is sound content, every number has its reason, what blocks is said',
  () => {
    let proposedCount = 0
    let tableCount = 0
    let conformingCount = 0
    const product = attributesOf(fc.oneof(number(1, 1000), hostile), fc.oneof(number(0, 100_000), hostile))
    fc.assert(
      fc.property(product, fc.array(anyTable, { maxLength: 6 }), (given, tables) => {
        const content = productOf(given)
        if (!content) return
        proposedCount += 1
        const made = tablesOf(tables)
        tableCount += made.length
        const proposed = propose(content, { tables: made })
        if (proposed.check.verdict === 'conforms') conformingCount += 1
        expectWhole(proposed, content)
      }),
      { numRuns: 200 },
    )
    // The test says something only if there are products, tables, and both ends.
    expect(Math.min(proposedCount, tableCount, conformingCount)).toBeGreaterThan(20)
    expect(conformingCount).toBeLessThan(proposedCount)
  },
  TIME_MAX_MS,
)

/**
 * Rules that one plan is known to meet: each table has a row about that plan, among others that contradict the first table.
 * What physics asks is far inside, as capacitances are small and limits wide.
 */
const satisfiable = fc
  .record({
    voltage: fc.integer({ min: 500, max: 3000 }),
    dwell: fc.integer({ min: 1, max: 60 }),
    current: fc.integer({ min: 5, max: 25 }),
    slack: fc.array(fc.integer({ min: 0, max: 400 }), { minLength: 3, maxLength: 3 }),
    decoys: fc.array(fc.boolean(), { minLength: 3, maxLength: 3 }),
    isRated: fc.boolean(),
    isInRamp: fc.boolean(),
  })
  .map(({ voltage, dwell, current, slack, decoys, isRated, isInRamp }) => {
    const met = (index: number): Output[] => [
      { parameter: 'testVoltage', relation: '>=', unit: 'V', cell: String(Math.max(1, voltage - (slack[index] ?? 0))) },
      { parameter: 'dwell', relation: '>=', unit: 's', cell: String(dwell) },
    ]
    const most: Output[] = [
      { parameter: 'testVoltage', relation: '<=', unit: 'V', cell: String(voltage + 400) },
      { parameter: 'tripCurrent', relation: '<=', unit: 'mA', cell: '500' },
      ...(isRated ? [{ parameter: 'rampRate', relation: '<=', unit: 'V/s', cell: '777' }] : []),
      ...(isInRamp ? [{ parameter: 'limitInRamp', relation: '=', cell: 'true' }] : []),
    ]
    // Shorter, hence tried first, and beyond the most of the first table.
    const decoy: Output[] = [
      { parameter: 'testVoltage', relation: '>=', unit: 'V', cell: String(voltage + 401) },
      { parameter: 'dwell', relation: '>=', unit: 's', cell: '0.1' },
    ]
    const bond: Output[] = [
      { parameter: 'testCurrent', relation: '>=', unit: 'A', cell: String(current) },
      { parameter: 'limitUpper', relation: '<=', unit: 'mOhm', cell: '100' },
      { parameter: 'precedes', relation: 'in', cell: '"electric-strength-ac"' },
    ]
    return [
      table('electric-strength-ac', [most], 2),
      ...[0, 1, 2].map((index) =>
        table('electric-strength-ac', decoys[index] ? [decoy, met(index)] : [met(index)], 3 + index, index * 200),
      ),
      table('protective-bonding', [bond], 6),
      table(
        'plan',
        [[{ parameter: 'stepPresent', relation: 'in', cell: '"electric-strength-dc","electric-strength-ac"' }]],
        7,
      ),
      table('touch-current', [[{ parameter: 'limitUpper', relation: '<=', unit: 'mA', cell: '0.5' }]], 8),
    ]
  })

test(
  'where one plan would meet all rules, the proposal meets them, now and whenever more take effect',
  () => {
    let proposedCount = 0
    const product = attributesOf(number(100, 400), number(10, 5_000))
    fc.assert(
      fc.property(product, satisfiable, (given, tables) => {
        const content = productOf(given)
        if (!content) return
        proposedCount += 1
        const proposed = propose(content, { tables })
        expectWhole(proposed, content)
        expect(proposed.check.findings.filter(({ severity }) => severity === 'blocking')).toEqual([])
        // What was proposed is a plan like any other; the next revision of it is proposed under its keys, and conforms as well.
        const next = propose(content, { tables, before: proposed.content, revision: 2 })
        expectWhole(next, content)
        expect(next.check.verdict).toBe('conforms')
        expect(next.content.steps.map(({ step }) => step)).toEqual(proposed.content.steps.map(({ step }) => step))
      }),
      { numRuns: 200 },
    )
    expect(proposedCount).toBeGreaterThan(30)
  },
  TIME_MAX_MS,
)
