import { describe, expect, test } from 'vitest'
import { type Decimal, decimal, formatDecimal, round } from '../../src/exact/decimal.ts'
import { inUnit } from '../../src/exact/quantity.ts'
import { placeOver, placeUnder } from '../../src/judging/limit.ts'
import { type AcceptedValue, compareDemand } from '../../src/rules/demand.ts'
import { meetRequirements, requirementsFor } from '../../src/rules/requirements.ts'
import { computed, unitCode } from './cells.ts'
import {
  attributesOf,
  canonicalOf,
  demandsOf,
  numberDemanded,
  requirementOf,
  seedTable,
  vectorsIn,
  type WrittenAttributes,
  type WrittenQuantity,
} from './seeds.ts'

type WrittenWindow = { readonly least?: string; readonly most?: string; readonly unit: string }

/** One thing to be checked of a ready-made vector. */
type Check =
  /** What the row demands of a parameter. */
  | {
      kind: 'demand'
      table: string
      row?: string
      attributes: WrittenAttributes
      parameter: string
      demanded: WrittenQuantity
    }
  /** Where a reading lies against the limit that the row demands. */
  | {
      kind: 'reading'
      table: string
      row: string
      attributes: WrittenAttributes
      reading: WrittenQuantity
      placing: string
    }
  /** Whether one parameter of a plan is inside one demand. */
  | {
      kind: 'comparison'
      table: string
      row: string
      attributes: WrittenAttributes
      parameter: string
      accepted: WrittenWindow
      met: boolean
    }
  /** How the table finds a plan that accepts this. */
  | {
      kind: 'plan'
      table: string
      attributes: WrittenAttributes
      accepted: Readonly<Record<string, WrittenWindow>>
      outcome: string
    }
  | { kind: 'flag'; table: string; row: string; attributes: WrittenAttributes; parameter: string; flag: boolean }
  /** What a cell computes; `digits` where the vector prints a rounded number. */
  | {
      kind: 'formula'
      cell: string
      unit: string
      inputs: Readonly<Record<string, string>>
      given: Readonly<Record<string, string>>
      expected: string
      digits?: number
    }
  /** Where a reading lies against a limit of its own. */
  | { kind: 'placing'; limit: WrittenQuantity; side: 'upper' | 'lower'; reading: WrittenQuantity; placing: string }

interface ReadyMade {
  readonly vector: number
  readonly document: string
  readonly clause: string
  readonly confidence: string
  readonly text: string
  readonly checks: readonly Check[]
  /** What of the vector nothing here can express, and why. */
  readonly notCarried?: string
}

function acceptedOf({ least, most, unit }: WrittenWindow): AcceptedValue {
  return {
    ...(least !== undefined && { least: canonicalOf({ value: least, unit }) }),
    ...(most !== undefined && { most: canonicalOf({ value: most, unit }) }),
  }
}

function placed(reading: WrittenQuantity, limit: Decimal, side: 'upper' | 'lower'): string {
  const number = { numerator: canonicalOf(reading), divisor: null, relation: '=' as const, isBoundIncluded: false }
  return (side === 'upper' ? placeUnder : placeOver)(number, { value: limit, inclusive: true })
}

function outcomeOf({ table, attributes, accepted }: Check & { kind: 'plan' }): string {
  const requirement = requirementOf(seedTable(table), attributes)
  if (!requirement) return 'silent'
  const [outcome] = meetRequirements([requirement], (parameter) => {
    const window = accepted[parameter]
    return window ? acceptedOf(window) : 'absent'
  })
  if (outcome?.outcome === 'met') return `met by ${outcome.row.row}`
  if (outcome?.outcome === 'unresolved') return `${outcome.code} ${outcome.attribute ?? ''}`.trim()
  const failing = outcome?.comparisons.filter(({ met }) => !met).map(({ demand }) => demand.parameter) ?? []
  return `not met by ${outcome?.row.row}: ${[...new Set(failing)].join(', ')}`
}

function runCheck(check: Check): void {
  switch (check.kind) {
    case 'demand': {
      const demand = numberDemanded(demandsOf(check.table, check.attributes, check.row), check.parameter)
      expect(formatDecimal(inUnit(demand.value, unitCode(check.demanded.unit)))).toBe(check.demanded.value)
      return
    }
    case 'reading': {
      const demands = demandsOf(check.table, check.attributes, check.row)
      const lower = demands.some(({ parameter }) => parameter === 'limitLower')
      const { value } = numberDemanded(demands, lower ? 'limitLower' : 'limitUpper')
      expect(placed(check.reading, value, lower ? 'lower' : 'upper')).toBe(check.placing)
      return
    }
    case 'comparison': {
      const demand = numberDemanded(demandsOf(check.table, check.attributes, check.row), check.parameter)
      expect(compareDemand(demand, acceptedOf(check.accepted)).met).toBe(check.met)
      return
    }
    case 'plan':
      expect(outcomeOf(check)).toBe(check.outcome)
      return
    case 'flag': {
      const demands = demandsOf(check.table, check.attributes, check.row)
      const demand = demands.find(({ parameter }) => parameter === check.parameter)
      if (!demand) throw new Error(`nothing is demanded of ${check.parameter}`)
      expect(compareDemand(demand, { flag: check.flag }).met).toBe(true)
      expect(compareDemand(demand, { flag: !check.flag }).met).toBe(false)
      return
    }
    case 'formula': {
      const value = computed(check, check.given)
      expect(formatDecimal(check.digits === undefined ? value : round(value, check.digits))).toBe(check.expected)
      return
    }
    case 'placing':
      expect(placed(check.reading, canonicalOf(check.limit), check.side)).toBe(check.placing)
      return
  }
}

const readyMade = vectorsIn<ReadyMade[]>('ready-made')

describe('ready-made vectors', () => {
  test('are all there, each checked or said why not', () => {
    expect(readyMade.map(({ vector }) => vector)).toEqual(Array.from({ length: 36 }, (_, index) => index + 1))
    for (const { vector, checks, notCarried } of readyMade) {
      expect([vector, checks.length > 0 || (notCarried ?? '').length > 10]).toEqual([vector, true])
    }
  })

  const checked = readyMade.flatMap((vector) =>
    vector.checks.map((check, index) => {
      const { document, clause, confidence, text } = vector
      return [`${vector.vector}.${index + 1} ${document} ${clause} (${confidence}): ${text}`, check] as const
    }),
  )
  test.each(checked)('%s', (_, check) => runCheck(check))
})

describe('the rule of a part that replaces the general rule (vectors 8 and 30)', () => {
  const family = 'example-of-a-part-2'
  const heating: WrittenAttributes = {
    protectionClass: 'I',
    mobility: 'stationary',
    loadKind: 'heating',
    ratedPower: { value: '4', unit: 'kW' },
    detector: 'rms',
    family,
  }
  const outcomesWith = (
    limit: WrittenQuantity,
    tables: readonly string[],
    options: { attributes: WrittenAttributes; bindsBecause?: string },
  ) => {
    const editions = tables.map((key) => ({ table: seedTable(key), bindsBecause: options.bindsBecause }))
    const requirements = requirementsFor(editions, {
      subject: 'touch-current',
      ruleSets: new Set(editions.map(({ table }) => table.ruleSet)),
      attributes: attributesOf(options.attributes),
    })
    const value = canonicalOf(limit)
    return meetRequirements(requirements, (name) => (name === 'limitUpper' ? { least: value, most: value } : 'absent'))
  }

  test('4 mA at 4 kW meets the part, and the general rule asks nothing more, with the reason kept', () => {
    const outcomes = outcomesWith({ value: '4', unit: 'mA' }, ['iec-60335-1-leakage', 'iec-60335-2-part-leakage'], {
      attributes: heating,
      bindsBecause: 'the maker chose this part',
    })
    expect(outcomes.map(({ outcome }) => outcome)).toEqual(['met', 'met'])
    expect(outcomes[0]?.overridden).toMatchObject([
      {
        parameter: 'limitUpper',
        byTable: 'iec-60335-2-part-leakage',
        reason: 'this part 2 replaces the limit of part 1',
      },
    ])
  })

  test('without the part, 4 mA is above the 3 mA of the general rule', () => {
    const given = { attributes: heating, bindsBecause: 'the maker chose part 1' }
    expect(outcomesWith({ value: '4', unit: 'mA' }, ['iec-60335-1-leakage'], given)).toMatchObject([
      { outcome: 'not-met', severity: 'blocking' },
    ])
    expect(outcomesWith({ value: '3', unit: 'mA' }, ['iec-60335-1-leakage'], given)).toMatchObject([{ outcome: 'met' }])
  })

  test('published without a stated reason neither binds, so the part overrides nothing', () => {
    const both = ['iec-60335-1-leakage', 'iec-60335-2-part-leakage']
    expect(outcomesWith({ value: '4', unit: 'mA' }, both, { attributes: heating })).toMatchObject([
      { outcome: 'not-met', severity: 'warning', overridden: [] },
      { outcome: 'met' },
    ])
  })

  test('a limit of 350 uA for chassis leakage needs the recorded exception', () => {
    const limit = { value: '350', unit: 'uA' }
    const given = { attributes: {}, bindsBecause: 'sample' }
    expect(outcomesWith(limit, ['nfpa-99-leakage'], given)).toMatchObject([{ outcome: 'not-met' }])
    const [general, exception] = outcomesWith(limit, ['nfpa-99-leakage', 'nfpa-99-leakage-exception'], given)
    expect([general?.outcome, exception?.outcome]).toEqual(['met', 'met'])
    expect(general?.overridden[0]?.reason).toMatch(/documented upkeep/)
  })
})

describe('rules of United States law bind as read, rules recalled only warn', () => {
  const low = { testVoltage: { least: canonicalOf({ value: '999', unit: 'V' }) }, dwell: { least: decimal(60) } }
  test.each([
    ['us-16-cfr-1505-strength', {}, 'blocking'],
    [
      'en-50106-strength',
      { protectionClass: 'I', insulation: 'basic', ratedVoltage: { value: '230', unit: 'V' } },
      'warning',
    ],
    ['us-47-cfr-68-215-strength', { detector: 'peak' }, 'warning'], // Read, but a type test.
    ['iec-60204-1-strength', { ratedVoltage: { value: '230', unit: 'V' } }, 'warning'],
  ] satisfies [string, WrittenAttributes, string][])('%s', (key, attributes, severity) => {
    const requirement = requirementOf(seedTable(key), attributes)
    if (!requirement) throw new Error('silent')
    const [outcome] = meetRequirements([requirement], (name) =>
      name === 'testVoltage' || name === 'dwell' ? low[name] : 'absent',
    )
    expect(outcome).toMatchObject({ outcome: 'not-met', severity })
  })
})
