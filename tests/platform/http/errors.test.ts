import { type AddressInfo, connect } from 'node:net'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { problems, problemType } from '../../../src/platform/problems.ts'
import { buildSample, type Sample } from './sample.ts'

let sample: Sample
beforeAll(async () => {
  sample = await buildSample()
})
afterAll(() => sample.server.close())

async function post(body: string | Buffer, url = '/v1/things', headers: Record<string, string> = {}) {
  const reply = await sample.server.inject({
    method: 'POST',
    url,
    payload: body,
    headers: { 'content-type': 'application/json', ...headers },
  })
  return { status: reply.statusCode, headers: reply.headers, body: reply.json() }
}

const errorsOf = async (value: unknown) => {
  const { status, body } = await post(typeof value === 'string' ? value : JSON.stringify(value))
  expect(status).toBe(422)
  expect(body.type).toBe(problemType('field-invalid'))
  return body.errors as { pointer: string; code: string; detail: string; in: string }[]
}

describe('the shape of a refusal', () => {
  test('is RFC 9457, with the request id in body and header', async () => {
    const { status, headers, body } = await post('{"name":"taken"}', '/v1/things', { 'x-request-id': 'line-2:77' })
    expect(status).toBe(409)
    expect(headers['content-type']).toBe('application/problem+json')
    expect(headers['x-request-id']).toBe('line-2:77')
    expect(body).toEqual({
      type: 'urn:limitkeep:problem:already-exists',
      title: problems['already-exists'].title,
      status: 409,
      requestId: 'line-2:77',
    })
  })

  test.each(['a b', '', 'x'.repeat(65), 'a"b', 'ä'])('a request id like %j is replaced by our own', async (asked) => {
    const { headers } = await post('{"name":"taken"}', '/v1/things', { 'x-request-id': asked })
    expect(headers['x-request-id']).toMatch(/^[0-9a-f-]{36}$/)
  })

  test('an unexpected throw shows a request id and nothing else; the log has the rest', async () => {
    const reply = await sample.server.inject('/v1/broken')
    expect(reply.statusCode).toBe(500)
    expect(reply.json()).toEqual({
      type: 'urn:limitkeep:problem:unexpected',
      title: problems.unexpected.title,
      status: 500,
      requestId: reply.headers['x-request-id'],
    })
    expect(sample.logged()).toContain('hunter2')
  })

  test('an unknown path, a bad escape and an over-long part of a path are problems too', async () => {
    for (const [url, key] of [
      ['/v1/nowhere', 'route-not-found'],
      ['/v1/things/%zz', 'request-malformed'],
      [`/v1/things/${'9'.repeat(600)}`, 'path-too-long'],
    ] as const) {
      const reply = await sample.server.inject(url)
      expect(reply.statusCode).toBe(problems[key].status)
      expect(reply.headers['content-type']).toBe('application/problem+json')
      expect(reply.json().type).toBe(problemType(key))
    }
  })

  test('another method of a path is named, and so is a slash too many', async () => {
    const put = await sample.server.inject({ method: 'PUT', url: '/v1/things' })
    expect([put.statusCode, put.headers['allow']]).toEqual([405, 'GET, HEAD, POST'])
    expect(put.json()).toMatchObject({ type: problemType('method-not-allowed'), detail: 'By GET, HEAD, POST.' })
    const slash = await sample.server.inject('/v1/broken/?limit=2')
    expect([slash.statusCode, slash.json().detail]).toEqual([404, 'Leave out the slash at the end.'])
    expect((await sample.server.inject('/v1/nowhere/')).json().detail).toBeUndefined()
  })

  test('a refusal or an answer that was not declared fails in tests', async () => {
    const undeclared = await sample.server.inject('/v1/undeclared')
    expect(undeclared.statusCode).toBe(500)
    expect(undeclared.json().detail).toContain('revision-locked')
    expect((await sample.server.inject('/v1/wrong')).statusCode).toBe(500)
    expect(sample.logged()).toContain('/v1/wrong answers 200 outside its schema')
    expect((await sample.server.inject('/v1/loose')).statusCode).toBe(500)
    expect(sample.logged()).toContain('members its schema does not have')
  })
})

describe('fields', () => {
  test('each refused value is named once, with its pointer escaped', async () => {
    const errors = await errorsOf({ parts: [{ name: '', count: 0, 'a/b~c': 1, '': 2 }], '#[x] y%': 3 })
    expect(errors.map(({ pointer, code }) => [pointer, code])).toEqual([
      ['#/name', 'field-missing'],
      ['#/parts/0/name', 'field-invalid'],
      ['#/parts/0/count', 'field-invalid'],
      ['#/parts/0/a~1b~0c', 'field-unknown'],
      ['#/parts/0/', 'field-unknown'],
      ['#/%23%5Bx%5D%20y%25', 'field-unknown'],
    ])
    expect(errors.every((error) => error.in === 'body')).toBe(true)
  })

  test.each([
    ['{"name":7}', '#/name', 'Expected a string, got a number.'],
    ['{"name":"a","parts":{}}', '#/parts', 'Expected a list, got an object.'],
    ['{"name":"a","parts":[{"name":"b","count":1.5}]}', '#/parts/0/count', 'Expected a whole number.'],
    ['{"name":"a","parts":[{"name":"b","count":"1"}]}', '#/parts/0/count', 'Expected a number, got a string.'],
    ['{"name":"a","shape":{"kind":"oval"}}', '#/shape/kind', 'Expected one of "round", "square".'],
    ['{"name":"a","shape":{"kind":"round","side":1}}', '#/shape/radius', 'This field is required.'],
    ['{"name":"a","window":{"least":"x"}}', '#/window/least', 'Expected a number, got a string.'],
    ['{"name":"a","at":"2026-03-16T09:14:39"}', '#/at', 'the offset from UTC is missing'],
    ['[]', '#', 'Expected an object, got a list.'],
    ['null', '#', 'Expected an object, got null.'],
    ['{"name":"a","extra":{"k":null,"l":1}}', '#/extra/l', 'Expected a string, got a number.'],
  ])('%s', async (text, pointer, detail) => {
    const errors = await errorsOf(text)
    expect(errors[0]).toMatchObject({ pointer, detail })
  })

  test('what a schema knows better keeps its own code', async () => {
    expect((await errorsOf({ name: 'a', at: '2026-03-16T09:14:39' }))[0]?.code).toBe('offset-missing')
  })

  test('null and absent mean the same', async () => {
    const { status, body } = await post('{"name":"a","at":null,"extra":{"k":null,"l":"m"},"parts":null}')
    expect(status).toBe(201)
    expect(body).toEqual({ name: 'a', extra: { l: 'm' } })
    expect((await errorsOf('{"name":null}'))[0]).toMatchObject({ pointer: '#/name', code: 'field-missing' })
  })

  test('a hundred entries at most', async () => {
    const many = Object.fromEntries(Array.from({ length: 5_000 }, (_, index) => [`x${index}`, index]))
    expect(await errorsOf(many)).toHaveLength(100)
    const parts = Array.from({ length: 500 }, () => ({ name: '', count: 0 }))
    expect(await errorsOf({ name: 'a', parts })).toHaveLength(100)
  })
})

describe('hostile bodies', () => {
  test.each([
    ['broken', '{"name":"a"', 11],
    ['empty', '', 0],
    ['two documents', '{} {}', 3],
    ['a byte order mark', '\uFEFF{"name":"a"}', 0],
    ['a comment', '{/**/}', 1],
  ])('%s: not JSON, with the offset', async (_, text, offset) => {
    const { status, body } = await post(text)
    expect(status).toBe(400)
    expect(body.type).toBe(problemType('body-not-json'))
    expect(body.offset).toBe(offset)
  })

  test('bytes that are no UTF-8, and 10,000 levels, are refused at once', async () => {
    expect((await post(Buffer.from('{"name":"\xff"}', 'latin1'))).body.code).toBe('not-utf8')
    const deep = '['.repeat(10_000) + ']'.repeat(10_000)
    expect((await post(`{"name":${deep}}`)).body.code).toBe('too-deep')
  })

  test.each([
    ['{"name":"a","name":"b"}', '#/name', 'duplicate-member'],
    ['{"name":"\\ud800"}', '#/name', 'text-invalid'],
    ['{"name":"a\\u0000"}', '#/name', 'text-invalid'],
    ['{"name":"a\\u0007"}', '#/name', 'field-invalid'],
    ['{"name":"a","extra":{"__proto__":"b"}}', '#/extra/__proto__', 'field-invalid'],
    ['{"name":"a","__proto__":{"x":1}}', '#/__proto__', 'field-invalid'],
    ['{"name":"a","constructor":{"prototype":{}}}', '#/constructor', 'field-unknown'],
  ])('%s names the field', async (text, pointer, code) => {
    const errors = await errorsOf(text)
    expect(errors[0]).toMatchObject({ pointer, code })
  })

  test('other media types, other encodings and over-long bodies', async () => {
    expect((await post('name=a', '/v1/things', { 'content-type': 'text/plain' })).body.type).toBe(
      problemType('media-type-unsupported'),
    )
    expect((await post('name=a', '/v1/things', { 'content-type': 'nonsense' })).status).toBe(415)
    expect((await post('{}', '/v1/things', { 'content-encoding': 'gzip' })).status).toBe(415)
    const long = await post(`{"name":"${'a'.repeat(1_048_576)}"}`)
    expect([long.status, long.body.type]).toEqual([413, problemType('body-too-large')])
    expect(
      (await post('{"name":"a"}', '/v1/things', { 'content-type': 'application/json; charset=utf-8' })).status,
    ).toBe(201)
  })

  test('a route without a body takes none, but forgives the header', async () => {
    expect((await post('', '/v1/nothing')).status).toBe(200)
    expect((await post('{}', '/v1/nothing')).status).toBe(200)
    const { status, body } = await post('{"a":1}', '/v1/nothing')
    expect([status, body.errors[0].code]).toEqual([422, 'field-unknown'])
  })

  test('a route may ask for the bytes as they came', async () => {
    expect((await post('{"name": "a" , broken', '/v1/raw')).body).toEqual({ text: '{"name": "a" , broken' })
  })
})

describe('on the socket', () => {
  async function speak(bytes: string): Promise<string> {
    if (!sample.server.server.listening) await sample.server.listen({ host: '127.0.0.1', port: 0 })
    const { port } = sample.server.server.address() as AddressInfo
    return new Promise((resolve, reject) => {
      const socket = connect(port, '127.0.0.1', () => socket.write(bytes))
      let text = ''
      socket.on('data', (chunk) => {
        text += String(chunk)
      })
      socket.on('close', () => resolve(text))
      socket.on('error', reject)
    })
  }

  test.each([
    ['GARBAGE\r\n\r\n', 400, 'request-malformed'],
    [`GET / HTTP/1.1\r\nhost: x\r\na: ${'a'.repeat(20_000)}\r\n\r\n`, 431, 'headers-too-large'],
  ] as const)('%.20s is answered with a problem, and the line closed', async (bytes, status, key) => {
    const answer = await speak(bytes)
    expect(answer).toMatch(new RegExp(`^HTTP/1.1 ${status} `))
    expect(answer).toContain('application/problem+json')
    expect(answer).toContain(problemType(key))
  })
})

describe('stopping', () => {
  test('new work is refused with a time to come back', async () => {
    sample.stopping = true
    const reply = await sample.server.inject('/v1/things')
    sample.stopping = false
    expect([reply.statusCode, reply.headers['retry-after'], reply.headers.connection]).toEqual([503, '5', 'close'])
    expect(reply.json().type).toBe(problemType('stopping'))
  })
})

describe('the log', () => {
  test('has no query, no header, no body', async () => {
    await sample.server.inject({
      url: '/v1/things?colour=EX36-26-004417&cursor=zz',
      headers: { authorization: 'Bearer lk_secret', 'one-time-code': '123456' },
    })
    await post('{"name":"taken"}')
    const logged = sample.logged()
    expect(logged).toContain('"path":"/v1/things"')
    for (const secret of ['EX36-26-004417', 'lk_secret', '123456', '"taken"']) expect(logged).not.toContain(secret)
  })
})
