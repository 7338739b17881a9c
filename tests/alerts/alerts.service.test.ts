import { afterAll, beforeAll, expect, test } from 'vitest'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

let line: Line

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 600_000)
  const sent = async (change: (wire: Wire) => void) => {
    line.setClock(line.now() + 60_000)
    created(await line.send(line.upload(change)))
  }
  const current = (value: string) => (wire: Wire) => {
    delete wire.stationVerdict
    for (const step of wire.steps) delete step.stationVerdict
    Object.assign(wire.steps[1].measurements[0].reading, { value })
    wire.steps[1].measurements[0].highestInRamp.value = value
  }
  await sent(current('1.75'))
  await sent(current('0.00'))
  await sent(current('0.03'))
  await sent((wire) => {
    current('3.9')(wire)
    wire.stationVerdict = 'pass'
  })
})
afterAll(() => line?.service.close())

test('alerts name the last plausible reading, and runs whose verdict the station saw otherwise', async () => {
  const { items } = expected(await line.analyst.get('/v1/stations/LDS-F2/alerts'), 200).body
  expect(items).toMatchObject([
    { code: 'verdict-differs', count: 1, isOpen: true },
    {
      code: 'open-lead-run',
      step: 'strength',
      count: 2,
      isOpen: false,
      lastPlausible: { serial: 'EX36-26-000001', reading: '1.75 mA' },
      runs: [{ serial: 'EX36-26-000002' }, { serial: 'EX36-26-000003' }],
    },
  ])
  const query = '{ station(station: "LDS-F2") { alerts { code count lastPlausible { serial } } } }'
  const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
  expect(data.station.alerts).toEqual([
    { code: 'VERDICT_DIFFERS', count: 1, lastPlausible: null },
    { code: 'OPEN_LEAD_RUN', count: 2, lastPlausible: { serial: 'EX36-26-000001' } },
  ])
})

test('another time has none, a time that runs backwards is refused, and so is a station that is not there', async () => {
  const path = '/v1/stations/LDS-F2/alerts'
  const before = iso(line.now() - 86_400_000)
  expect(expected(await line.analyst.get(`${path}?to=${before}`), 200).body.items).toEqual([])
  expect(expected(await line.analyst.get(`${path}?from=${iso(line.now())}&to=${before}`), 400).body.type).toContain(
    'parameter-invalid',
  )
  expected(await line.analyst.get('/v1/stations/LDS-X9/alerts'), 404)
})
