import { afterAll, beforeAll, expect, test } from 'vitest'
import { type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'
import { statementsOf } from '../support/statements.ts'

const CHECKS = '/v1/release-checks'

let line: Line
const good: string[] = []

beforeAll(async () => {
  line = await openLine({ still: true })
  line.setClock(line.now() + 3_600_000)
  for (let unit = 0; unit < 3; unit += 1) {
    const upload = line.upload()
    created(await line.send(upload))
    good.push(String(upload['serial']))
  }
})
afterAll(() => line.service.close())

const unit = (serial: string, product = 'EX36') => ({ product, serial })
const check = async (units: readonly object[], as = line.analyst) =>
  expected(await as.post(CHECKS, { units }), 200).body

test('each unit is answered what its own release says, in the order asked', async () => {
  const asked = [unit('EX36-26-999999'), ...good.map((serial) => unit(serial)), unit('nothing-like-a-serial')]
  const body = await check(asked)
  expect([body.asked, body.releasable, body.provisional]).toEqual([5, 3, 3])
  expect(body.units.map(({ serial }: Wire) => serial)).toEqual(asked.map(({ serial }) => serial))
  for (const [index, { product, serial }] of asked.entries()) {
    const path = `/v1/units/${product}/${encodeURIComponent(serial)}/release`
    const { askedAt: _, ...alone } = expected(await line.analyst.get(path), 200).body
    expect(body.units[index]).toMatchObject(alone)
  }
})

test('a product that nobody knows is not releasable, and keeps no other from an answer', async () => {
  const body = await check([unit('X-1', 'NOBODY'), unit(good[0] ?? '')])
  expect(body.units[0]).toMatchObject({
    product: 'NOBODY',
    releasable: false,
    reasons: [{ code: 'requirements-unknown' }],
  })
  expect(body.units[1].releasable).toBe(true)
})

test('a serial is read by the rule of its product, and one named twice is answered twice', async () => {
  const [serial = ''] = good
  const body = await check([unit(` ${serial}\r`), unit(serial), unit(serial)])
  expect(body.units.map((one: Wire) => [one.serial, one.releasable])).toEqual(Array(3).fill([serial, true]))
})

test('five thousand are answered in bounded statements, and one more is refused', async () => {
  const many = Array.from({ length: 5_000 }, (_, index) => unit(`EX36-26-${String(index).padStart(6, '0')}`))
  let body: Wire = {}
  const statements = await statementsOf(async () => {
    body = await check(many)
  })
  expect(body.asked).toBe(5_000)
  // Twenty transactions of a few statements each; not one for each unit.
  expect(statements).toBeLessThan(20 * 12)
  const refused = expected(await line.analyst.post(CHECKS, { units: [...many, unit('EX36-26-999999')] }), 422).body
  expect(refused.errors[0].pointer).toBe('#/units')
  for (const units of [[], [{ product: 'EX36' }], [unit('')], [unit('a\u0000b')], 'EX36']) {
    expected(await line.analyst.post(CHECKS, { units }), 422)
  }
})

test('a key of a station is not let in, nor a person without a role', async () => {
  expected(await line.station.post(CHECKS, { units: [unit(good[0] ?? '')] }), 403)
  expected(await line.operator.post(CHECKS, { units: [unit(good[0] ?? '')] }), 403)
})
