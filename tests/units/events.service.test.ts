import { afterAll, beforeAll, expect, test } from 'vitest'
import { iso, type Line, openLine } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

let line: Line

beforeAll(async () => {
  line = await openLine({ startsAt: '2026-03-16T05:00:00.000Z' })
})
afterAll(() => line?.service.close())

const path = (serial: string) => `/v1/units/EX36/${serial}/events`
const opened = (eventKey: string, more: Record<string, unknown> = {}) => ({
  eventKey,
  site: 'leeds',
  event: 'opened',
  at: iso(line.now() - 1),
  ...more,
})

test('an event is recorded once, under the serial number of the rule, and answered alike again', async () => {
  const body = opened('RPR-1', { reason: 'collar replaced' })
  const first = created(await line.analyst.post(path('ex36-26-000801'), body)).body
  expect(first).toMatchObject({ serial: 'EX36-26-000801', event: 'opened', repeated: false, shipState: 'in-plant' })
  const again = created(await line.analyst.post(path('EX36-26-000801'), body)).body
  expect(again).toEqual({ ...first, repeated: true })
  const other = expected(await line.analyst.post(path('EX36-26-000801'), { ...body, event: 'scrapped' }), 409)
  expect(other.body.type).toBe('urn:limitkeep:problem:event-key-reused')
  const unit = expected(await line.analyst.get('/v1/units/EX36/EX36-26-000801'), 200).body
  expect(unit.events).toHaveLength(1)
  expect(unit.attempts).toEqual([])
})

test('fifty at once under one key are one event', async () => {
  const body = opened('RPR-2', { event: 'shipped' })
  const answers = await Promise.all(Array.from({ length: 50 }, () => line.analyst.post(path('EX36-26-000802'), body)))
  expect(answers.map(({ status }) => status)).toEqual(Array.from({ length: 50 }, () => 201))
  expect(answers.filter(({ body: { repeated } }) => !repeated)).toHaveLength(1)
})

test.each([
  ['a future', { at: '2099-01-01T00:00:00Z' }, 422, '#/at'],
  ['an unknown site', { site: 'hull' }, 422, '#/site'],
  ['a word that is none', { event: 'lost' }, 422, '#/event'],
  ['no key', { eventKey: undefined }, 422, '#/eventKey'],
])('%s is refused with its field, and nothing is recorded', async (_, change, status, pointer) => {
  const answer = expected(await line.analyst.post(path('EX36-26-000803'), opened('RPR-3', change)), status)
  expect(answer.body.errors.map((one: { pointer: string }) => one.pointer)).toContain(pointer)
  expect((await line.analyst.get('/v1/units/EX36/EX36-26-000803')).status).toBe(404)
})

test('a machine key records none, and a product that nobody confirmed has no units', async () => {
  expected(await line.station.post(path('EX36-26-000804'), opened('RPR-4')), 403)
  expected(await line.analyst.post('/v1/units/GS99/X-1/events', opened('RPR-5')), 404)
})

test('the answer to an upload says that its unit had left, and the graph says it too', async () => {
  created(
    await line.analyst.post(
      path('EX36-26-000805'),
      opened('SHP-1', { event: 'shipped', at: iso(line.now() - 3_600_000) }),
    ),
  )
  // The plan has come into force just now, and a test takes half a minute.
  line.setClock(line.now() + 600_000)
  const upload = line.upload((wire) => {
    wire.serial = 'EX36-26-000805'
  })
  const answer = created(await line.send(upload)).body
  expect(answer).toMatchObject({
    outcome: 'accepted',
    standing: 'held',
    verdict: 'pass',
    evidence: 'none',
    codes: [{ code: 'identity-conflict' }],
  })
  expect(answer.action).toContain('Held: The unit was shipped')
  const query =
    '{ unit(product: "EX36", serial: "EX36-26-000805") { shipState events { event } attempts { standing codes } } }'
  const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
  expect(data.unit).toEqual({
    shipState: 'SHIPPED',
    events: [{ event: 'SHIPPED' }],
    attempts: [{ standing: 'HELD', codes: ['identity-conflict'] }],
  })
})
