import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { extractorStrength } from '../support/aldermoor.ts'
import {
  type Answer,
  created,
  expected,
  type PersonClient,
  startTestService,
  type TestService,
} from '../support/service.ts'
import { literalXml, modelXml, tableXml } from './dmn/models.ts'

let service: TestService
let author: PersonClient

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0101', ['author'])
})

afterAll(() => service.close())

const path = (table: string, edition: number, form?: 'csv' | 'dmn') =>
  ['/v1/rule-tables', table, 'editions', edition, form].filter((part) => part !== undefined).join('/')

const types = { csv: 'text/csv', dmn: 'application/xml' } as const

const send = (
  method: 'POST' | 'PUT',
  url: string,
  type: string,
  payload: string | Buffer,
  headers = {},
): Promise<Answer> => author.send({ method, url, payload, headers: { 'content-type': type, ...headers } })

async function write(table: string, edition = 1): Promise<Answer> {
  const content = extractorStrength({ table, edition, overrides: [] })
  const draft = { content, ...(edition > 1 && { changeReason: 'another clause' }) }
  return created(await author.post(`/v1/rule-tables/${table}/editions`, draft))
}

describe.each(['csv', 'dmn'] as const)('an edition as %s', (form) => {
  const type = types[form]
  const table = `sheet-${form}`

  test('goes out and comes back to the digest, sent as its own type or as plain text', async () => {
    const { body, headers } = await write(table)
    const file = expected(await author.get(path(table, 1, form)), 200)
    expect(file.headers['content-type']).toBe(`${type}; charset=utf-8`)
    expect(file.headers['etag']).toBe(headers['etag'])

    const renamed = String(file.body).replaceAll(table, `${table}-2`)
    const made = created(await send('POST', path(`${table}-2`, 1, form), type, renamed))
    expect(made.headers['location']).toBe(`/v1/rule-tables/${table}-2/editions/1`)
    expect(made.body).toMatchObject({ state: 'draft', authors: ['P-0101'] })
    expect(made.body.digest).toBe(digestOf(canonicalText({ ...body.content, table: `${table}-2` })))

    const again = { 'if-match': String(headers['etag']) }
    for (const sent of [type, 'text/plain; charset=utf-8']) {
      const kept = expected(await send('PUT', path(table, 1, form), sent, String(file.body), again), 200)
      expect(kept.body.digest).toBe(body.digest)
    }
  })

  test('replaces only the draft that was seen, and needs what the JSON form needs', async () => {
    const { headers } = await write(`${table}-3`)
    const file = String((await author.get(path(`${table}-3`, 1, form))).body)
    const put = (more: object) =>
      send('PUT', path(`${table}-3`, 1, form), type, file.replace('[24..150]', '[24..140]'), more)
    expect((await put({})).status).toBe(428)
    expect((await put({ 'if-match': '"sha256:0"' })).status).toBe(412)
    expected(await put({ 'if-match': String(headers['etag']) }), 200)
    expect((await put({ 'if-match': String(headers['etag']) })).status).toBe(412)
    expect((await send('POST', path(`${table}-3`, 1, form), type, file)).status).toBe(409)
    expect((await send('PUT', path(`${table}-3`, 2, form), type, file)).status).toBe(422)

    const next = file.replace(
      form === 'csv' ? /^edition,1/m : 'edition="1"',
      form === 'csv' ? 'edition,2' : 'edition="2"',
    )
    expect((await send('POST', path(`${table}-3`, 2, form), type, next)).body.errors).toMatchObject([
      { pointer: '#/changeReason' },
    ])
    const reason = '?changeReason=a%20wider%20band'
    expect(created(await send('POST', path(`${table}-3`, 2, form) + reason, type, next)).body).toMatchObject({
      edition: 2,
      changeReason: 'a wider band',
    })
  })

  test('a cell that does not parse is told with its place in the content, in the cell and in the file', async () => {
    await write(`${table}-4`)
    const file = String((await author.get(path(`${table}-4`, 1, form))).body).replaceAll(`${table}-4`, `${table}-5`)
    const { status, body } = await send('POST', path(`${table}-5`, 1, form), type, file.replace('[24..150]', '[24..'))
    expect(status).toBe(422)
    expect(body).toMatchObject({ type: 'urn:limitkeep:problem:field-invalid', detail: 'The edition does not compile.' })
    const [error] = body.errors
    expect(error).toMatchObject({ pointer: '#/content/rows/0/when/1', code: 'cell-syntax' })
    expect(error.detail).toMatch(/^at character 6: ends too early \(line \d+(?:, column 4)?\)$/)
  })

  test('what is no such file, is of another type, or is too large is refused', async () => {
    const post = (payload: string | Buffer, sent: string = type) => send('POST', path('none', 1, form), sent, payload)
    expect((await post('{}')).body).toMatchObject({ type: 'urn:limitkeep:problem:file-unreadable', status: 422 })
    expect((await post('')).body).toMatchObject({ type: 'urn:limitkeep:problem:file-unreadable' })
    expect((await post(Buffer.from([0xff, 0xfe, 0x00]))).body).toMatchObject({
      type: 'urn:limitkeep:problem:file-unreadable',
    })
    expect((await post('{}', 'application/json')).status).toBe(415)
    expect((await post('x'.repeat(8_388_609))).status).toBe(413)
    expect((await post('x'.repeat(5_000_000))).body).toMatchObject({ type: 'urn:limitkeep:problem:file-unreadable' })
    expect((await author.get(path('none', 1, form))).status).toBe(404)
    expect((await author.get('/v1/rule-tables/none/editions')).status).toBe(404)
  })
})

test('a table of five megabytes that is proper is refused by its size, with nothing stored', async () => {
  await write('large')
  const file = String((await author.get(path('large', 1, 'csv'))).body).replaceAll('large', 'larger')
  const cell = `"${'""basic"", '.repeat(95)}""basic"""`
  const rows = Array.from({ length: 4_900 }, (_, n) => `row,x${n},${cell},-,800,60,10\r\n`)
  expect(rows.join('').length).toBeGreaterThan(5_000_000)
  const { status, body } = await send('POST', path('larger', 1, 'csv'), 'text/csv', file + rows.join(''))
  expect([status, body.errors.slice(0, 1)]).toMatchObject([422, [{ pointer: '#/content/rows' }]])
  expect((await author.get('/v1/rule-tables/larger/editions')).status).toBe(404)
})

test('CSV has the separator and decimal mark asked for', async () => {
  await write('marks')
  const { body } = expected(await author.get(`${path('marks', 1, 'csv')}?separator=semicolon&decimalMark=comma`), 200)
  expect(String(body)).toContain('limitkeep:rule-table;1;semicolon;comma')
  expect(String(body)).toContain('1,2 * (500 + 2 * ratedVoltage)')
  expect((await author.get(`${path('marks', 1, 'csv')}?separator=pipe`)).status).toBe(400)
})

test('a DMN model made elsewhere comes in as a draft that names what is missing; filled in, it is an edition', async () => {
  const foreign = modelXml({
    inputs: { ratedVoltage: 'number' },
    decisions: {
      Base: { requires: [], xml: literalXml('1') },
      strength: {
        xml: tableXml({
          policy: 'FIRST',
          inputs: [['ratedVoltage', 'number']],
          outputs: [['testVoltage']],
          rules: [
            ['<= 150', '800'],
            ['-', '1000'],
          ],
        }),
      },
    },
  })
  const { status, body } = await send('POST', path('mowers', 1, 'dmn'), 'application/xml', foreign)
  expect([status, body.type]).toEqual([422, 'urn:limitkeep:problem:file-incomplete'])
  expect(body.errors.map(({ pointer }: { pointer: string }) => pointer)).toEqual([
    '#/content/ruleSet',
    '#/content/subject',
    '#/content/sources',
    '#/content/inputs/0/unit',
    '#/content/outputs/0/relation',
    '#/content/outputs/0/unit',
  ])
  const { content } = body.draft
  const filled = {
    ...content,
    ruleSet: 'aldermoor-routine',
    subject: 'electric-strength-ac',
    inputs: [{ ...content.inputs[0], unit: 'V' }],
    outputs: [{ ...content.outputs[0], relation: '>=', unit: 'V' }],
    sources: [
      {
        rows: ['r1', 'r2'],
        document: 'House rule',
        documentEdition: '1',
        clause: '1',
        use: 'routine',
        verification: 'invented',
      },
    ],
  }
  const made = created(await author.post('/v1/rule-tables/mowers/editions', { content: filled }))
  expect(made.body.content).toMatchObject({ hitPolicy: 'F', title: 'strength' })
})

test('an external entity and a billion laughs are refused before anything of them counts', async () => {
  const laughs = Array.from({ length: 9 }, (_, n) => `<!ENTITY l${n + 1} "${`&l${n};`.repeat(10)}">`).join('')
  for (const declared of ['<!ENTITY x SYSTEM "file:///etc/hostname">', `<!ENTITY l0 "ha">${laughs}`]) {
    const xml = `<?xml version="1.0"?><!DOCTYPE definitions [${declared}]><definitions>&x;&l9;</definitions>`
    const { status, body } = await send('POST', path('evil', 1, 'dmn'), 'application/xml', xml)
    expect([status, body.code]).toEqual([422, 'xml-doctype'])
  }
})

test('text that no XML file can hold is refused as content, so that every edition goes out', async () => {
  const content = extractorStrength({ table: 'unwritable', edition: 1, overrides: [], title: 'a\uffffb' })
  const { status, body } = await author.post('/v1/rule-tables/unwritable/editions', { content })
  expect([status, body.errors[0].code]).toEqual([422, 'text-unwritable'])
})

test('a policy that makes no sense of demands is refused at submission of the draft', async () => {
  const content = extractorStrength({ table: 'summed', edition: 1, overrides: [], hitPolicy: 'C+' })
  const { status, body } = await author.post('/v1/rule-tables/summed/editions', { content })
  expect([status, body.errors[0]]).toMatchObject([
    422,
    { pointer: '#/content/hitPolicy', code: 'hit-policy-meaningless' },
  ])
})
