import { describe, expect, test } from 'vitest'
import { add, compare, type Decimal, decimal, formatDecimal, multiply, subtract } from '../../src/exact/decimal.ts'
import { inUnit } from '../../src/exact/quantity.ts'
import { capacitiveCurrent, chargingCurrent } from '../../src/plans/physics.ts'
import { compileFormula } from '../../src/rules/feel-compile.ts'
import { computed } from './cells.ts'
import { canonicalOf, demandsOf, numberDemanded, seedContents, vectorsIn } from './seeds.ts'

interface FormulaRow {
  readonly row: number
  readonly document: string
  readonly clause: string
  readonly confidence: string
  readonly published: string
  readonly cell: string
  readonly unit: string
  readonly inputs: Readonly<Record<string, string>>
  /** `isRounded`: the expected number does not end, so it is written with six places. */
  readonly cases: readonly {
    readonly given: Readonly<Record<string, string>>
    readonly expected: string
    readonly isRounded?: boolean
  }[]
}

/** Whether a computed number is the printed one within half of its last digit: ties may have been rounded either way. */
function prints(value: Decimal, printed: string): boolean {
  const places = printed.split('.')[1]?.length ?? 0
  const half = decimal(`0.5e-${places}`)
  const apart = subtract(value, decimal(printed))
  return compare(apart, half) <= 0 && compare(add(apart, half), decimal(0)) >= 0
}

describe('formulas', () => {
  const formulas = vectorsIn<FormulaRow[]>('formulas')
  const published = vectorsIn<{ row: number; value: string; carriedBy: string[] }[]>('published-values')

  const cases = formulas.flatMap((formula) =>
    formula.cases.map((one) => {
      const { row, document, clause, confidence, cell } = formula
      return [
        `${row} ${document} ${clause} (${confidence}): ${cell} of ${JSON.stringify(one.given)}`,
        formula,
        one,
      ] as const
    }),
  )
  test.each(cases)('%s', (_, formula, { given, expected, isRounded }) => {
    const value = computed(formula, given)
    if (isRounded) expect(prints(value, expected)).toBe(true)
    else expect(formatDecimal(value)).toBe(expected)
  })

  const held = formulas.flatMap(({ row, cell }) => (published[row - 1]?.carriedBy ?? []).map((place) => [place, cell]))
  test.each(held)('%s holds %s', (place, cell) => {
    const [table, name] = place?.split('/') ?? []
    const cells = seedContents.get(table ?? '')?.rows.find((one) => one.row === name)?.then ?? []
    expect(cells.flatMap((text) => text.replace(/^\[(.*)\]$/, '$1').split('..'))).toContain(cell)
  })

  // Rows of two sources: a short test, d.c. in place of a.c., and a published condition.
  test.each([
    ['iec-60034-1-strength', 'item-1-short', '1.2 * (500 + 2 * ratedVoltage)'],
    ['iec-60034-1-strength', 'item-2-small-short', '1.2 * max(1500, 1000 + 2 * ratedVoltage)'],
    ['iec-60034-1-strength', 'item-2-short', '1.2 * max(1500, 1000 + 2 * ratedVoltage)'],
    ['ieee-rotating-maintenance-dc', 'all', '[1.7 * 1.25 * ratedVoltage..1.7 * 1.5 * ratedVoltage]'],
    ['din-vde-0701-0702-protective-conductor', 'heating-large', 'min(10, 1 * ratedPower)'],
  ])('%s/%s holds %s', (table, name, cell) => {
    expect(seedContents.get(table)?.rows.find(({ row }) => row === name)?.then[0]).toBe(cell)
  })

  test('each published formula is checked here, but for the two with an operator that no cell may hold', () => {
    const checked = new Set(formulas.map(({ row }) => row))
    const isFormula = /[*/^+]|\bmin\(|\bTL-w\b/
    const left = published.filter(({ row, value }) => isFormula.test(value) && !checked.has(row))
    expect(left.map(({ row, value }) => `${row} ${value}`)).toEqual([
      '156 0.5^((40-T)/10)', // Refused below.
      '177 min(1.0,0.3+0.1*ceil((L_m-5)/7.5))', // Carried as bands.
    ])
  })

  test.each([
    ['0.5 ^ ((40 - 25) / 10)', "'^'"],
    ['0.5 ** 2', "'**'"],
    ['min(1.0, 0.3 + 0.1 * ceil(2.1))', "'ceil'"],
    ['min(1.0, 0.3 + 0.1 * ceiling(2.1))', "'ceiling'"],
  ])('%s is refused, and its operator named', (cell, operator) => {
    const compiled = compileFormula(cell, { unit: 'Ohm', inputs: new Map() })
    if (!('refusals' in compiled)) throw new Error('compiled')
    expect(compiled.refusals[0]?.code).toMatch(/^cell-(unsupported|syntax)$/)
    expect(compiled.refusals[0]?.detail).toContain(operator)
  })

  // Row 177: 0.3 ohm, and 0.1 ohm for each 7.5 m begun beyond 5 m, never above 1.0 ohm; counted in tenths of a metre.
  test.each(Array.from({ length: 70 }, (_, index) => index * 10 + 1))('a cord of %i tenths of a metre', (tenths) => {
    const begun = Math.max(0, Math.ceil((tenths - 50) / 75))
    const expected = Math.min(10, 3 + begun)
    const demands = demandsOf('din-vde-0701-0702-bonding', {
      protectionClass: 'I',
      ratedCurrent: { value: '16', unit: 'A' },
      cordLength: { value: `${tenths}e-1`, unit: 'm' },
    })
    expect(formatDecimal(multiply(numberDemanded(demands, 'limitUpper').value, decimal(10)))).toBe(String(expected))
  })
})

interface Arithmetic {
  readonly directForAlternating: Readonly<Record<'ac' | 'peak' | 'factor1.5' | 'factor1.7', number>>[]
  readonly capacitiveCurrent: { nF: string; V: number; Hz: number; mA: string }[]
  readonly chargingCurrent: { nF: string; V: number; s: string; uA: string }[]
  readonly cordLimit: { m: string; mOhmPerMetre: string; ohm: string }[]
}

describe('arithmetic', () => {
  const arithmetic = vectorsIn<Arithmetic>('arithmetic')
  // The reference heads the first column 1.414 and prints it with the square root of two, as 1890 V shows.
  const columns = [
    ['1.41421356', 'peak'],
    ['1.5', 'factor1.5'],
    ['1.7', 'factor1.7'],
  ] as const
  const factors = arithmetic.directForAlternating.flatMap((row) =>
    columns.map(([factor, column]) => [row.ac, factor, String(row[column])] as const),
  )
  test.each(factors)('%i V a.c. times %s is %s V d.c.', (ac, factor, printed) => {
    const cell = { cell: `${factor} * ac`, unit: 'V', inputs: { ac: 'V' } }
    expect(prints(computed(cell, { ac: String(ac) }), printed)).toBe(true)
  })

  test.each(arithmetic.capacitiveCurrent)('$nF nF, $V V, $Hz Hz: $mA mA', ({ nF, V, Hz, mA }) => {
    const current = capacitiveCurrent(decimal(Hz), canonicalOf({ value: nF, unit: 'nF' }), decimal(V))
    expect(prints(inUnit(current, 'mA'), mA)).toBe(true)
  })

  test.each(arithmetic.chargingCurrent)('$nF nF to $V V in $s s: $uA uA', ({ nF, V, s, uA }) => {
    const current = chargingCurrent(canonicalOf({ value: nF, unit: 'nF' }), decimal(V), decimal(s))
    expect(prints(inUnit(current, 'uA'), uA)).toBe(true)
  })

  test.each(arithmetic.cordLimit)('cord of $m m at $mOhmPerMetre mOhm/m: $ohm ohm', ({ m, mOhmPerMetre, ohm }) => {
    const core = formatDecimal(multiply(decimal(m), decimal(mOhmPerMetre)))
    const demands = demandsOf(
      'en-50106-bonding',
      { protectionClass: 'I', earthCoreResistance: { value: core, unit: 'mOhm' } },
      'cord-added',
    )
    expect(prints(numberDemanded(demands, 'limitUpper').value, ohm)).toBe(true)
  })
})
