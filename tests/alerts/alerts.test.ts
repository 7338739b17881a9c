import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { mismatchAlerts, openLeadAlerts, type SeenReading, verdictAlerts } from '../../src/alerts/alerts.ts'
import { decimal } from '../../src/exact/decimal.ts'

const seen = (index: number) => ({ runId: `R-${index}`, serial: `U-${index}`, at: index * 60_000 })

function readings(values: readonly string[], measurement = 'live-to-earth'): SeenReading[] {
  return values.map((value, index) => ({
    ...seen(index + 1),
    step: 'strength',
    measurement,
    value: decimal(value),
    openLeadMinimum: decimal('0.20'),
    text: `${value} mA`,
  }))
}

describe('an open lead', () => {
  test('is told from the second reading next to nothing on, with the last plausible one', () => {
    const [alert, ...others] = openLeadAlerts('LDS-F2', readings(['2.31', '0.00', '0.03']))
    expect(others).toEqual([])
    expect(alert).toMatchObject({
      code: 'open-lead-run',
      count: 2,
      isOpen: true,
      lastPlausible: { runId: 'R-1', serial: 'U-1', reading: '2.31 mA' },
      runs: [{ serial: 'U-2' }, { serial: 'U-3' }],
    })
    expect(alert?.sentence).toContain('The last plausible one was 2.31 mA of U-1')
  })

  test.each<[string, string[], number]>([
    ['one slip', ['2.31', '0.00', '2.30'], 0],
    ['a reading on the minimum', ['0.00', '0.20', '0.00'], 0],
    ['two apart', ['0.00', '0.01', '2.3', '0.00', '0.01'], 2],
    ['none at all', [], 0],
  ])('%s', (_, values, count) => {
    expect(openLeadAlerts('LDS-F2', readings(values))).toHaveLength(count)
  })

  test('is told measurement by measurement, and of none before it says so', () => {
    const mixed = [...readings(['0.00', '2.3']), ...readings(['0.00', '0.01'], 'other')]
    const [alert] = openLeadAlerts('LDS-F2', mixed)
    expect(alert).toMatchObject({ measurement: 'other', lastPlausible: null })
    expect(alert?.sentence).toContain('No plausible reading came before')
  })

  test('counts each bad reading with a bad neighbour exactly once', () => {
    fc.assert(
      fc.property(fc.array(fc.boolean(), { maxLength: 30 }), (isBad) => {
        const alerts = openLeadAlerts('LDS-F2', readings(isBad.map((bad) => (bad ? '0.01' : '2.3'))))
        const told = alerts.flatMap(({ runs }) => runs.map(({ runId }) => runId))
        const expected = isBad.flatMap((bad, index) =>
          bad && (isBad[index - 1] === true || isBad[index + 1] === true) ? [`R-${index + 1}`] : [],
        )
        expect(told).toEqual(expected)
        expect(alerts.filter(({ isOpen }) => isOpen)).toHaveLength(isBad.at(-1) && isBad.at(-2) ? 1 : 0)
      }),
    )
  })
})

test('a station that judges otherwise than the plan is told once, with all its runs', () => {
  const runs = [true, false, true].map((differs, index) => ({ ...seen(index), differs }))
  expect(verdictAlerts('LDS-F2', runs)).toMatchObject([{ code: 'verdict-differs', count: 2, isOpen: true }])
  expect(verdictAlerts('LDS-F2', runs.slice(1, 2))).toEqual([])
})

test('several uploads in a row of another product than their plan’s are told, one is not', () => {
  const uploads = [false, true, true, true, false, true].map((isMismatch, index) => ({ ...seen(index), isMismatch }))
  expect(mismatchAlerts('LDS-F2', uploads)).toMatchObject([{ code: 'product-mismatch-run', count: 3, isOpen: false }])
})
