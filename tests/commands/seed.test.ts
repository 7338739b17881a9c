import { describe, expect, test } from 'vitest'
import { chanceOf } from '../../src/commands/seed/chance.ts'
import { type Condition, runSteps } from '../../src/commands/seed/readings.ts'
import { LINE_BEGINS, type LineState, planDay, type Visit } from '../../src/commands/seed/shifts.ts'
import { DAYS, HAPPENINGS, LINES, SITES, type TestLine } from '../../src/commands/seed/works.ts'
import { writeInstant } from '../../src/exact/time.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import { ProductContentWire } from '../../src/products/words.ts'
import { planWire, productWire } from '../support/aldermoor.ts'

function fortnightOf(line: TestLine): Visit[] {
  const visits: Visit[] = []
  let state: LineState = LINE_BEGINS
  for (let day = 0; day < DAYS; day += 1) {
    const planned = planDay(line, day, state)
    visits.push(...planned.visits)
    state = planned.after
  }
  return visits
}

function lineAt(station: string): TestLine {
  const line = LINES.find((one) => one.station === station)
  if (line === undefined) throw new Error(`there is no line ${station}`)
  return line
}

const localHour = (site: string, at: number) => {
  const timeZone = SITES.find((one) => one.site === site)?.timeZone
  return Number(new Intl.DateTimeFormat('en-GB', { hour: 'numeric', hourCycle: 'h23', timeZone }).format(at))
}

describe('the fortnight', () => {
  test('is the same each time it is planned', () => {
    for (const line of LINES) expect(fortnightOf(line)).toEqual(fortnightOf(line))
  })

  test.each(LINES)('$station counts its starts without a gap, one after the other, by day', (line) => {
    const visits = fortnightOf(line)
    expect(visits.map(({ sequenceNumber }) => sequenceNumber)).toEqual(
      visits.map((_, index) => LINE_BEGINS.sequence + index + 1),
    )
    for (const [index, visit] of visits.entries()) {
      const before = visits[index - 1]
      // The longest run lasts half a minute.
      if (before !== undefined) expect(visit.startedAt - before.startedAt).toBeGreaterThan(60_000)
      // Also after the night in which British clocks went forward.
      expect(localHour(line.site, visit.startedAt)).toSatisfy((hour: number) => hour >= 6 && hour < 14)
    }
  })

  test('gives each new unit a serial number of its own, and a unit that comes again its old one', () => {
    for (const line of LINES) {
      const seen = new Map<string, Visit>()
      for (const visit of fortnightOf(line)) {
        const before = seen.get(visit.serial)
        if (before === undefined) expect(visit.attemptCause).toBeUndefined()
        else if (before.citesPrevious) expect(visit.attemptCause).toBeUndefined()
        else expect(visit.attemptCause).toBe(before.condition.isLeadOpen ? 'after-invalid' : 'after-rework')
        seen.set(visit.serial, visit)
      }
    }
  })

  test('tests every unit of the hour with the open lead again', () => {
    const visits = fortnightOf(lineAt(HAPPENINGS.openLead.station))
    const open = visits.filter(({ condition }) => condition.isLeadOpen)
    expect(open.length).toBeGreaterThanOrEqual(4)
    for (const { serial, startedAt } of open) {
      expect(localHour('osaka', startedAt)).toBe(HAPPENINGS.openLead.fromHour)
      expect(visits.some((one) => one.serial === serial && one.startedAt > startedAt)).toBe(true)
    }
  })

  test('has a bad lot that is far worse than any other, and goes on after it', () => {
    const visits = fortnightOf(lineAt(HAPPENINGS.badLot.station))
    const share = (list: readonly Visit[]) =>
      list.filter(({ condition }) => condition.fault !== undefined).length / list.length
    const bad = visits.filter(({ filterLot }) => filterLot === HAPPENINGS.badLot.lot)
    expect(bad.length).toBeGreaterThan(50)
    expect(share(bad)).toBeGreaterThan(0.15)
    expect(share(visits.filter(({ filterLot }) => filterLot !== HAPPENINGS.badLot.lot))).toBeLessThan(0.03)
    expect(visits.at(-1)?.filterLot).not.toBe(HAPPENINGS.badLot.lot)
  })

  test('drifts day by day, and at its line only', () => {
    for (const line of LINES) {
      const factors = fortnightOf(line)
        .filter(({ filterLot }) => filterLot !== HAPPENINGS.badLot.lot)
        .map(({ condition }) => condition.leakageFactor)
      expect(factors).toEqual([...factors].sort((one, other) => one - other))
      expect(Math.max(...factors) > 1.05).toBe(line.station === HAPPENINGS.drift.station)
    }
  })

  test('cites the revision just ended exactly once', () => {
    const all = LINES.flatMap(fortnightOf).filter(({ citesPrevious }) => citesPrevious)
    expect(all.map(({ line }) => line.station)).toEqual([HAPPENINGS.revision.station])
    expect(all.map(({ startedAt }) => writeInstant(startedAt).slice(0, 13))).toEqual(['2026-03-30T11'])
  })
})

describe('the readings of a run', () => {
  const input = (condition: Condition) => ({
    plan: PlanContentWire.parse(planWire),
    product: ProductContentWire.parse(productWire),
    variant: 'EX36-3M',
    condition,
    startedAt: 0,
    leadOffset: { takenAt: -60_000, person: 'P-0398' },
  })
  const sound: Condition = { leakageFactor: 1, isLeadOpen: false }
  const strengthOf = (condition: Condition) =>
    runSteps(input(condition), chanceOf('a unit')).steps.find(({ step }) => step === 'strength')?.measurements[0]

  test('show the current that capacitance, frequency and voltage make', () => {
    // 2 pi 50 Hz 4.4 nF 1251 V = 1.73 mA
    expect(Number(strengthOf(sound)?.reading?.value)).toBeGreaterThan(1.65)
    expect(Number(strengthOf(sound)?.reading?.value)).toBeLessThan(1.81)
    expect(Number(strengthOf({ ...sound, leakageFactor: 2 })?.reading?.value)).toBeGreaterThan(3.3)
  })

  test('show next to nothing where the lead is open', () => {
    expect(Number(strengthOf({ ...sound, isLeadOpen: true })?.reading?.value)).toBeLessThan(0.05)
  })

  test.each([
    ['bond', ['bond']],
    ['breakdown', ['bond', 'strength']],
    ['insulation', ['bond', 'strength', 'insulation']],
  ] as const)('end at the step that a fault shows in: %s', (fault, run) => {
    const { steps, isGood } = runSteps(input({ ...sound, fault }), chanceOf('a unit'))
    expect(steps.map(({ step }) => step)).toEqual(run)
    expect(isGood).toBe(false)
    expect(steps.at(-1)?.stationVerdict).toBe('fail')
  })
})
