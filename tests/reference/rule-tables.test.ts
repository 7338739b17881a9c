import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { compare, formatDecimal } from '../../src/exact/decimal.ts'
import { inUnit } from '../../src/exact/quantity.ts'
import type { Demand } from '../../src/rules/demand.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { canonicalOf, compiledContent, seedContent, seedContents, seedFiles, seedTable, vectorsIn } from './seeds.ts'

/** A published value as the reference lists it; `row` is its number there. */
interface Published {
  readonly row: number
  readonly document: string
  readonly clause: string
  readonly subject: string
  readonly condition: string
  readonly quantity: string
  readonly comparator: '>=' | '<=' | '=' | '<' | '>' | 'range' | 'none'
  readonly value: string
  readonly unit: string
  /** How long the test is held in seconds; empty where nothing is said. */
  readonly duration: string
  readonly confidence: 'read' | 'read-secondary' | 'memory'
  /** The rows of seed tables that demand it, as table/row. */
  readonly carriedBy: readonly string[]
}

const published = vectorsIn<Published[]>('published-values')
const notCarried: { why: string; rows: { row: number; document: string; clause: string; quantity: string }[] }[] =
  JSON.parse(readFileSync(new URL('not-carried.json', import.meta.url), 'utf8'))

const carried = published.flatMap((value) =>
  value.carriedBy.map((place) => {
    const [table = '', row = ''] = place.split('/')
    return { value, table, row, name: `${value.row} ${value.quantity} ${value.comparator} ${value.value} in ${place}` }
  }),
)

/** The parameter under which a published quantity is demanded; the others are words or stand inside a formula. */
const parameters: Readonly<Record<string, string>> = {
  test_voltage_ac: 'testVoltage',
  test_voltage_dc: 'testVoltage',
  test_voltage_peak: 'testVoltage',
  ir_test_voltage_dc: 'testVoltage',
  bond_test_current: 'testCurrent',
  bond_source_open_circuit_voltage: 'sourceVoltage',
  bond_resistance: 'limitUpper',
  leakage_current: 'limitUpper',
  touch_current: 'limitUpper',
  earth_leakage_current: 'limitUpper',
  chassis_leakage_current: 'limitUpper',
  protective_conductor_current: 'limitUpper',
  residual_voltage: 'limitUpper',
  insulation_resistance: 'limitLower',
  trip_current: 'tripCurrent',
  dwell_time: 'dwell',
  ramp_time: 'rampUp',
  ramp_rate: 'rampRate',
}

/** The demand's comparator: a value that a text sets is demanded as a least, since no tester could hold it exactly. */
const relations: Readonly<Record<Published['comparator'], string>> = {
  '>=': '>=',
  '<=': '<=',
  '=': '>=',
  '<': 'in',
  '>': 'none',
  range: 'in',
  none: 'none',
}

/** A limit that says below which level something must not work is demanded as a least. */
const turned = new Set([250])

function unitOf(unit: string): string {
  const [code = ''] = unit.split(' ')
  return { ohm: 'Ohm', Mohm: 'MOhm' }[code] ?? code
}

function demandsIn(table: string, row: string): Demand[] {
  const cells = seedTable(table).rows.find((one) => one.row === row)?.cells ?? []
  return cells.flatMap((cell) => {
    const resolved = cell.resolve(new Map())
    return 'demand' in resolved ? [resolved.demand] : []
  })
}

function textsIn(table: string, row: string): readonly string[] {
  const content = seedContents.get(table)
  const found = content?.rows.find((one) => one.row === row)
  if (!found) throw new Error(`no row ${table}/${row}`)
  return found.then
}

describe('every seed table', () => {
  test('there are some, one to a file of its name', () => {
    expect(seedFiles.length).toBeGreaterThan(50)
    for (const [key, content] of seedContents) expect(content.table).toBe(key)
  })

  test.each(seedFiles)('%s compiles', (file) => {
    const content = seedContent(file)
    expect(compiledContent(content).rows.length).toBe(content.rows.length)
  })

  test.each(seedFiles)('%s says that it is a sample and who governs', (file) => {
    expect(seedContent(file).title).toMatch(/^Sample, no advice; the maker's assessment and local codes govern: ./)
  })

  test.each(seedFiles)('%s marks what was not read in the text itself', (file) => {
    for (const { documentEdition, verification } of seedContent(file).sources) {
      const words = /; (read in a quotation|from memory), verify$/.test(documentEdition)
      expect(words).toBe(verification === 'unverified')
      expect(verification).not.toBe('invented')
    }
  })

  test.each(seedFiles)('%s mixes no read row with a recalled one', (file) => {
    // A row with one verified source binds wholly, so a recalled number in it would bind as well.
    for (const { sources } of compiledContent(seedContent(file)).rows) {
      expect(new Set(sources.map(({ verification }) => verification)).size).toBe(1)
    }
  })

  test.each(seedFiles)('%s overrides only tables of the seed, and says why', (file) => {
    for (const { table, parameter } of seedContent(file).overrides ?? []) {
      const over = seedContents.get(table)
      expect(over?.subject).toBe(seedContent(file).subject)
      expect(over?.outputs.map((output) => output.parameter)).toContain(parameter)
    }
  })
})

describe('every published value', () => {
  test('is carried by a table or said not to be, never both', () => {
    const left = new Set(notCarried.flatMap(({ rows }) => rows.map(({ row }) => row)))
    const inTables = new Set(carried.map(({ value }) => value.row))
    expect(published.map(({ row }) => row)).toEqual(Array.from({ length: 340 }, (_, index) => index + 1))
    for (const { row } of published) expect([row, left.has(row) !== inTables.has(row)]).toEqual([row, true])
  })

  test('that is not carried is named as the reference names it, with a reason', () => {
    for (const { why, rows } of notCarried) {
      expect(why.length).toBeGreaterThan(10)
      for (const { row, document, clause, quantity } of rows) {
        expect(published[row - 1]).toMatchObject({ row, document, clause, quantity })
      }
    }
  })

  test.each(carried.map((one) => [one.name, one] as const))('%s: source', (_, { value, table, row }) => {
    const sources = seedTable(table).rows.find((one) => one.row === row)?.sources ?? []
    const source = sources.find(
      ({ document, clause }) =>
        document === value.document && clause === (value.clause === '-' ? 'not stated' : value.clause),
    )
    expect(source?.verification).toBe(value.confidence === 'read' ? 'verified' : 'unverified')
    if (value.confidence === 'memory') {
      expect(sources.some(({ documentEdition }) => documentEdition.endsWith('from memory, verify'))).toBe(true)
    }
  })

  const numbers = carried.filter(({ value }) => parameters[value.quantity] && /^\d+(\.\d+)?$/.test(value.value))
  test.each(numbers.map((one) => [one.name, one] as const))('%s: number', (_, { value, table, row }) => {
    const parameter = parameters[value.quantity]
    const demands = demandsIn(table, row).filter((demand) => demand.parameter === parameter)
    const expected = canonicalOf({ value: value.value, unit: unitOf(value.unit) })
    const relation = turned.has(value.row) ? '>=' : relations[value.comparator]
    const found = demands.some((demand) => {
      switch (demand.kind) {
        case 'number':
          return demand.relation === relation && compare(demand.value, expected) === 0
        case 'range':
          // Below a strict limit; or, for a set value, within a tolerance that the text gives around it.
          return relation === 'in'
            ? compare(demand.upper.value, expected) === 0 && demand.upper.open
            : compare(demand.lower.value, expected) <= 0 && compare(expected, demand.upper.value) <= 0
        default:
          return false
      }
    })
    expect(found).toBe(true)
  })

  const ranges = carried.filter(
    ({ value }) => parameters[value.quantity] && /^\d+(\.\d+)?\.\.\d+(\.\d+)?$/.test(value.value),
  )
  test.each(ranges.map((one) => [one.name, one] as const))('%s: range', (_, { value, table, row }) => {
    expect(textsIn(table, row)).toContain(`[${value.value}]`)
    const [demand] = demandsIn(table, row).filter(
      (one) => one.parameter === parameters[value.quantity] && one.kind === 'range',
    )
    expect(demand && 'unit' in demand && demand.unit).toBe(unitOf(value.unit))
  })

  const factors = carried.filter(({ value }) => value.quantity.endsWith('_factor'))
  test.each(factors.map((one) => [one.name, one] as const))('%s: factor', (_, { value, table, row }) => {
    expect(textsIn(table, row).some((cell) => cell.replace('[', '').startsWith(`${value.value} * `))).toBe(true)
  })

  const held = carried.filter(({ value, table, row }) => {
    const demandsDwell = demandsIn(table, row).some(({ parameter }) => parameter === 'dwell')
    // Row 198 counts the 30 s of the ramp and the 60 s of the hold together.
    return value.duration !== '' && value.row !== 198 && (demandsDwell || value.quantity.startsWith('test_voltage'))
  })
  test.each(held.map((one) => [one.name, one] as const))('%s: duration', (_, { value, table, row }) => {
    // The short test stands in for the minute that the value itself is held.
    const seconds = value.quantity === 'test_voltage_factor' ? '1' : value.duration
    const least = canonicalOf({ value: seconds, unit: 's' })
    const dwell = demandsIn(table, row).find(({ parameter }) => parameter === 'dwell')
    if (dwell?.kind === 'number') expect(compare(dwell.value, least)).toBe(0)
    else if (dwell?.kind === 'range') expect(compare(dwell.lower.value, least)).toBe(0)
    else expect.fail('the row demands no dwell')
  })
})

// Numbers that the reference gives in a condition or works out of two rows, and not as a value of their own.
describe('further numbers', () => {
  test.each<[string, string]>([
    ['en-50106-strength-dc/basic-low testVoltage', '1200 V'],
    ['en-50106-strength-dc/basic-high testVoltage', '1500 V'],
    ['en-50106-strength-dc/basic-class-iii testVoltage', '600 V'],
    ['en-50106-strength-dc/reinforced-low testVoltage', '3000 V'],
    ['en-50106-strength-dc/reinforced-high testVoltage', '3750 V'],
    ['en-50116-strength-dc/basic testVoltage', '2121 V'],
    ['en-50116-strength-dc/reinforced testVoltage', '4242 V'],
    ['iec-61010-1-strength-ovc-ii-dc/mid testVoltage', '1970 V'],
    ['iec-61010-1-strength-ovc-ii-dc/high testVoltage', '3130 V'],
    ['iec-60335-1-type-bonding/all sourceVoltage', '12 V'],
    ['iec-60065-bonding/all testCurrent', '25 A'],
    ['iec-60065-bonding/all sourceVoltage', '12 V'],
    ['iec-60598-1-annex-q-bonding/all sourceVoltage', '[6..12] V'],
    ['iec-60598-1-annex-q-insulation/class-i-ii testVoltage', '500 V'],
    ['iec-60598-1-annex-q-insulation/class-iii testVoltage', '100 V'],
    ['iec-62353-insulation/class-i testVoltage', '500 V'],
    ['iec-62353-insulation/class-ii testVoltage', '500 V'],
    ['iec-60204-1-bonding/all sourceVoltage', '24 V'],
    ['iec-61439-1-bonding/all testCurrent', '10 A'],
    ['iec-60364-6-insulation/low testVoltage', '250 V'],
    ['iec-60364-6-insulation/mid testVoltage', '500 V'],
    ['iec-60364-6-insulation/high testVoltage', '1000 V'],
    ['neta-mts-insulation/v250 testVoltage', '500 V'],
    ['neta-mts-insulation/v600 testVoltage', '1000 V'],
    ['neta-mts-insulation/v1000 testVoltage', '1000 V'],
    ['neta-mts-insulation/v2500 testVoltage', '1000 V'],
    ['neta-mts-insulation/v5000 testVoltage', '2500 V'],
    ['neta-mts-insulation/v15000 testVoltage', '2500 V'],
    ['din-vde-0701-0702-insulation/class-i testVoltage', '500 V'],
    ['mil-c-793b-strength-sample/all testVoltage', '900 V'],
    ['mil-c-793b-strength-sample/all rampRate', '500 V/s'],
    ['mil-c-793b-strength-unit/all testVoltage', '900 V'],
    ['mil-std-202-302-a/all testVoltage', '[90..110] V'],
    ['mil-std-202-302-b/all testVoltage', '[450..550] V'],
    ['mil-std-202-302-c/all testVoltage', '[900..1100] V'],
    ['sb-740-91-01-insulation/all testVoltage', '[200..1000] V'],
    ['nasa-std-8739-4-insulation/all testVoltage', '500 V'],
    ['fed-std-228a-strength/all testVoltage', '2500 V'],
    ['nfpa-99-bonding/all limitUpper', '[0..0.5) Ohm'],
    ['din-vde-0701-0702-insulation/class-i-heating testVoltage', '500 V'],
    ['din-vde-0701-0702-insulation/class-ii testVoltage', '500 V'],
    ['us-24-cfr-3280-strength/second dwell', '[1..60) s'],
  ])('%s: %s', (place, expected) => {
    const [table = '', row = '', parameter = ''] = place.split(/[/ ]/)
    const written = demandsIn(table, row)
      .filter((demand) => demand.parameter === parameter)
      .map((demand) => {
        if (demand.kind === 'number') return `${formatDecimal(inUnit(demand.value, demand.unit))} ${demand.unit}`
        if (demand.kind !== 'range') return demand.kind
        const { lower, upper, unit } = demand
        const ends = [lower, upper].map(({ value }) => formatDecimal(inUnit(value, unit))).join('..')
        return `${lower.open ? '(' : '['}${ends}${upper.open ? ')' : ']'} ${unit}`
      })
    expect(written).toEqual([expected])
  })
})

test('a frequency is demanded as what rounds to 60 Hz, or as the range of its text', () => {
  const ranges = [...seedContents.values()].flatMap(({ outputs, rows, table }) => {
    const index = outputs.findIndex(({ parameter }) => parameter === 'frequency')
    return index < 0 ? [] : rows.map(({ then }) => `${table} ${then[index]}`)
  })
  expect(ranges.length).toBeGreaterThan(20)
  for (const range of ranges) {
    expect(range).toMatch(/^north-american-appliance-strength \[40\.\.70\]$|^(?!north).* \[59\.5\.\.60\.5\]$/)
  }
})

describe('rubber insulating equipment', () => {
  test.each(['ac', 'dc'])('matting is tested at the same %s voltage, for a minute in place of three', (kind) => {
    const table = `us-29-cfr-1910-137-proof-${kind}`
    for (const name of ['00', '0', '1', '2', '3', '4'].map((one) => `class-${one}`)) {
      const [voltage, seconds] = textsIn(table, name)
      expect([seconds, ...textsIn(table, `${name}-matting`)]).toEqual(['180', voltage, '60'])
    }
  })

  test('each class is told by the largest use voltage that the table of use voltages gives it', () => {
    const useVoltages = published.filter(({ quantity }) => quantity === 'max_use_voltage_ac')
    expect(useVoltages.length).toBe(6)
    for (const { value, subject, carriedBy } of useVoltages) {
      const name = subject.replace(/^.*class /, 'class-')
      expect(carriedBy).toEqual([`us-29-cfr-1910-137-proof-ac/${name}`])
      const content: EditionContent | undefined = seedContents.get('us-29-cfr-1910-137-proof-ac')
      expect(content?.rows.find(({ row }) => row === name)?.when[0]).toBe(value)
    }
  })
})
