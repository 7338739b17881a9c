import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

/** The route of the proposal. What it proposes is tested without a database. */

const PATH = '/v1/plans/ex36-final/revisions/proposal'

let line: Line

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 120_000)
  // A unit tested twice counts once, by its latest pass; 30 units are enough to speak.
  for (let index = 0; index < 31; index += 1) {
    const upload = line.upload((wire: Wire) => {
      const reading = wire.steps.find(({ step }: Wire) => step === 'strength').measurements[0].reading
      reading.value = index === 0 ? '2.90' : `1.${59 + index}`
      if (index === 1) Object.assign(wire, { serial: 'EX36-26-000001', attemptCause: 'on-request' })
    })
    created(await line.send(upload))
    line.setClock(line.now() + 60_000)
  }
}, 60_000)
afterAll(() => line?.service.close())

const ask = (body: object, path = PATH) => line.author.post(path, body)
const proposed = async (body: object, path = PATH) => expected(await ask(body, path), 200).body

test('the next revision of a plan: by its product, operation and keys, the rules in effect and what was read', async () => {
  const { content, reasons, open, check, cautions, governing } = await proposed({})
  expect(content).toMatchObject({
    plan: 'ex36-final',
    revision: 8,
    operation: 'final',
    product: 'EX36',
    productVersion: 3,
  })
  expect(check).toMatchObject({ verdict: 'conforms', editions: expect.arrayContaining(['extractor-strength/2']) })
  const at = (pointer: string) => reasons.find((one: Wire) => one.pointer === pointer)
  const strength = content.steps.findIndex(({ step }: Wire) => step === 'strength')
  expect(at(`/steps/${strength}/limitUpper/byVariant/EX36-3M`)).toMatchObject({
    value: '2.6',
    source: 'readings',
    readings: { count: 30, median: '1.745', upper: '2.042', unit: 'mA' },
  })
  expect(at(`/steps/${strength}/limitUpper/byVariant/EX36-5M`)).toMatchObject({ value: '2.8', source: 'physics' })
  expect(open.length).toBeGreaterThan(0)
  expect(cautions.join()).toContain('High voltage')
  expect(governing).toContain('Local code and licensed practice govern')
})

test('is stored nowhere, and becomes a draft as it is, which then goes its way', async () => {
  const path = '/v1/plans/ex36-final/revisions'
  const before = expected(await line.author.get(path), 200).body
  const { content } = await proposed({})
  expect(expected(await line.author.get(path), 200).body).toEqual(before)
  const draft = created(await line.author.post(path, { content, changeReason: 'as proposed' })).body
  expect(draft).toMatchObject({ revision: 8, state: 'draft' })
  expect(expected(await line.author.get(`${path}/8/findings`), 200).body.check.verdict).toBe('conforms')
  // Units read far below the limit of touch current, which the proposal moves by more than a fifth: that the author says.
  const unsaid = expected(await line.author.post(`${path}/8/submission`, { digest: draft.digest }), 422).body
  expect(unsaid.errors).toHaveLength(1)
  expect(unsaid.errors[0].detail).toContain('Step touch: the upper limit for EX36-3M was tightened')
  const touch = content.steps.findIndex(({ step }: Wire) => step === 'touch')
  const why = { path: `/steps/${touch}/limitUpper/byVariant/EX36-3M`, reason: 'thirty units read less than half' }
  expected(await line.author.post(`${path}/8/submission`, { digest: draft.digest, limitReasons: [why] }), 200)
  const own = await line.author.sign(`${path}/8/approval`, {
    digest: draft.digest,
    inForceFrom: 'at-once',
    meaning: 'm',
  })
  expect(own.status).toBe(403)
})

test('a plan that is not there yet, for one site and an instrument', async () => {
  const body = { product: 'EX36', site: 'leeds', instrument: 'INS-0031' }
  const { content } = await proposed(body, '/v1/plans/ex36-extra/revisions/proposal')
  expect(content).toMatchObject({ plan: 'ex36-extra', revision: 1, sites: ['leeds'], operation: 'final' })
})

test('a version that nobody has confirmed is checked as if it were, and said to be unconfirmed', async () => {
  const version = expected(await line.author.get('/v1/products/EX36/versions/3'), 200).body
  const content = { ...version.content, version: 4 }
  content.attributes = { ...content.attributes, liveToEarthCapacitance: { value: '2.2', unit: 'nF' } }
  created(await line.author.post('/v1/products/EX36/versions', { content, changeReason: 'a smaller filter' }))
  const { open, check, ...rest } = await proposed({ productVersion: 4 })
  expect(rest.content.productVersion).toBe(4)
  expect(check.verdict).toBe('conforms')
  expect(open[0].text).toContain('is not confirmed')
  expect((await proposed({})).content.productVersion).toBe(3)
})

describe('refuses', () => {
  test.each<[string, object, string, string]>([
    ['a new plan without a product', {}, '/v1/plans/new/revisions/proposal', '#/product'],
    ['another product', { product: 'GS18' }, PATH, '#/product'],
    ['another operation', { operation: 'incoming' }, PATH, '#/operation'],
    ['an unknown product', { product: 'NONE' }, '/v1/plans/new/revisions/proposal', '#/product'],
    ['an unknown version', { productVersion: 99 }, PATH, '#/productVersion'],
    ['an unknown site', { site: 'nowhere' }, PATH, '#/site'],
    ['an unknown instrument', { instrument: 'INS-9' }, PATH, '#/instrument'],
    ['an unknown variant', { variants: ['EX36-3M', 'EX36-9M'] }, PATH, '#/variants/1'],
    ['an unknown member', { revision: 7 }, PATH, '#/revision'],
  ])('%s', async (_, body, path, pointer) => {
    const refused = expected(await ask(body, path), 422).body
    expect(refused.errors[0].pointer).toBe(pointer)
  })

  test('a key on the floor', async () => {
    expect((await line.station.post(PATH, {})).status).toBe(403)
  })
})

test('readings of variants that are not asked for say nothing', async () => {
  const { reasons } = await proposed({ variants: ['EX36-5M'] })
  expect(reasons.filter(({ source }: Wire) => source === 'readings')).toEqual([])
})
