import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { z } from 'zod'
import { makePage, readPage } from '../../../src/platform/http/conventions.ts'
import { problemType } from '../../../src/platform/problems.ts'
import { buildSample, type Sample } from './sample.ts'

let sample: Sample
beforeAll(async () => {
  sample = await buildSample()
})
afterAll(() => sample.server.close())

const get = async (url: string, headers: Record<string, string> = {}) => {
  const reply = await sample.server.inject({ url, headers })
  return { status: reply.statusCode, headers: reply.headers, body: reply.body === '' ? undefined : reply.json() }
}

describe('pages', () => {
  test('following the link gives everything once, in order, and ends', async () => {
    const seen: number[] = []
    let url: string | undefined = '/v1/things?colour=blue&limit=3'
    for (let pages = 0; url !== undefined && pages < 10; pages += 1) {
      const { body, headers } = await get(url)
      seen.push(...body.items.map((item: { n: number }) => item.n))
      const link = String(headers.link ?? '')
      const next: string | undefined = /^<([^>]+)>; rel="next"$/.exec(link)?.[1]
      expect(next === undefined).toBe(body.nextCursor === null)
      if (next !== undefined) expect(next).toContain('colour=blue')
      url = next
    }
    expect(seen).toEqual([1, 2, 3, 4, 5, 6, 7])
  })

  test('a page that just fits has no next', async () => {
    expect((await get('/v1/things?limit=7')).body.nextCursor).toBeNull()
    expect((await get('/v1/things?limit=6')).body.nextCursor).not.toBeNull()
  })

  test.each([
    'abc',
    '%00',
    'bnVsbA',
    Buffer.from('["others",1]').toString('base64url'),
    Buffer.from('["things","1"]').toString('base64url'),
    Buffer.from('["things",1,2]').toString('base64url'),
    Buffer.from('{"a":1}').toString('base64url'),
  ])('the cursor %j is refused', async (cursor) => {
    const { status, body } = await get(`/v1/things?cursor=${cursor}`)
    expect([status, body.type]).toEqual([400, problemType('cursor-invalid')])
  })

  test.each(['0', '501', '-1', '1.5', '1e2', '0x10', '', '%205', '00', 'all'])('limit=%s is refused', async (limit) => {
    const { status, body } = await get(`/v1/things?limit=${limit}`)
    expect([status, body.type]).toEqual([400, problemType('parameter-invalid')])
    expect(body.errors[0]).toMatchObject({ pointer: '#/limit', in: 'query' })
  })

  test('unknown and doubled query members are refused', async () => {
    const { body } = await get('/v1/things?limit=1&limit=2&size=3')
    expect(body.errors.map((error: { pointer: string }) => error.pointer)).toEqual(['#/limit', '#/size'])
  })

  test('the limit is 50 where none is asked', () => {
    expect(readPage('l', {}, z.int())).toEqual({ limit: 50, after: undefined })
    const page = makePage('l', [{ n: 1 }, { n: 2 }], 1, ({ n }) => n)
    expect(page.items).toEqual([{ n: 1 }])
    expect(readPage('l', { cursor: page.nextCursor ?? '' }, z.int()).after).toBe(1)
  })
})

describe('whole numbers in a path', () => {
  test.each(['1', '2147483647'])('%s is taken', async (number) => {
    expect((await get(`/v1/things/${number}`)).body.count).toBe(Number(number))
  })
  test.each(['0', '01', '-1', '2147483648', '1.0', 'x'])('%s is refused', async (number) => {
    expect((await get(`/v1/things/${number}`)).body.errors[0]).toMatchObject({ pointer: '#/number', in: 'path' })
  })
})

describe('entity tags', () => {
  test('a reader who has the content is told so', async () => {
    const first = await get('/v1/things/1')
    expect(first.headers.etag).toBe('"sha256:aa"')
    for (const tag of ['"sha256:aa"', 'W/"sha256:aa"', '"x", "sha256:aa"', '*']) {
      const again = await get('/v1/things/1', { 'if-none-match': tag })
      expect([again.status, again.body, again.headers.etag]).toEqual([304, undefined, '"sha256:aa"'])
    }
    expect((await get('/v1/things/1', { 'if-none-match': '"sha256:bb"' })).status).toBe(200)
  })

  test.each([
    [undefined, 428],
    ['"sha256:bb"', 412],
    ['W/"sha256:aa"', 412],
    ['sha256:aa', 412],
    ['"sha256:aa"', 200],
    ['"x" , "sha256:aa"', 200],
    ['*', 200],
  ])('an edit with If-Match %s is answered %i', async (tag, status) => {
    const reply = await sample.server.inject({
      method: 'PUT',
      url: '/v1/things/1',
      payload: { name: 'a', count: 1 },
      headers: tag === undefined ? {} : { 'if-match': tag },
    })
    expect(reply.statusCode).toBe(status)
  })
})

test('a created thing has an address, escaped', async () => {
  const reply = await sample.server.inject({ method: 'POST', url: '/v1/things', payload: { name: 'a/b ü' } })
  expect(reply.statusCode).toBe(201)
  expect(reply.headers.location).toBe('/v1/things/a%2Fb%20%C3%BC')
})
