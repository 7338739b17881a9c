import { once } from 'node:events'
import type { AddressInfo } from 'node:net'
import { gzipSync } from 'node:zlib'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { BatchWire, CheckAnswerWire } from '../../src/intake/batch-words.ts'
import { type Line, openLine, type Wire } from '../support/line.ts'
import { expected } from '../support/service.ts'
import { ndjson, openBatch, push, type Read, read, type Sending } from './batch-socket.ts'

/** Batches over a real socket: what clients do that no well-behaved library would. */
let line: Line
let port: number

beforeAll(async () => {
  line = await openLine({ still: true })
  line.setClock(line.now() + 60_000)
  const { server } = line.service.app
  await server.listen({ port: 0, host: '127.0.0.1' })
  port = (server.server.address() as AddressInfo).port
})
afterAll(() => line.service.close())

const open = (sending: Sending = {}) => openBatch(port, { token: line.station.token, ...sending })

/** Sends a whole batch and reads after all of it is sent. */
async function send(body: Buffer | string, sending: Sending = {}): Promise<Read> {
  const socket = await open(sending)
  await push(socket, body)
  socket.write('0\r\n\r\n')
  return await read(socket)
}

const idOf = ({ location }: Read) => location.split('/')[3] ?? ''
const batchOf = async (answered: Read): Promise<Wire> => {
  const { body } = expected(await line.station.get(`/v1/batches/${idOf(answered)}`), 200)
  return BatchWire.parse(body)
}
/** The answers as they are later, asked of the service by the station or another. */
async function later(answered: Read, query = '', as = line.station): Promise<Wire[]> {
  const reply = await line.service.app.server.inject({
    url: `${answered.location}${query}`,
    headers: { authorization: `Bearer ${as.token}` },
  })
  expect([reply.statusCode, reply.headers['content-type']]).toEqual([200, 'application/x-ndjson'])
  return reply.body
    .split('\n')
    .filter((one) => one !== '')
    .map((one) => JSON.parse(one))
}
const statuses = ({ lines }: Read) => lines.map((one) => [one.line, one.status])

describe('a batch is answered line by line', () => {
  test('accepted, rejected, unreadable, repeated and conflicting lines each as the upload alone would be', async () => {
    const before = line.upload()
    expected(await line.send(before), 201)
    const good = line.upload()
    const other = { ...good, stationVerdict: 'fail' }
    const stale = line.upload((wire) => (wire.revision = 99))
    const answered = await send(
      ndjson([good, stale, '{"broken":', good, other, before, { ...before, jobOrder: 'JO-9' }, '', '[1]']),
    )
    expect(statuses(answered)).toEqual([
      [1, 201],
      [2, 422],
      [3, 400],
      [4, 201],
      [5, 409],
      [6, 201],
      [7, 409],
      [8, 400],
    ])
    const [first, refused, broken, repeated, conflict, again, conflictBefore] = answered.lines
    const alone = expected(await line.station.get(`/v1/runs/${first.runId}`), 200).body
    // The conflict reported a failure of the same unit, so what was folded at once is what is folded now.
    expect(first).toEqual({ line: 1, status: 201, ...alone })
    expect(repeated).toEqual({ ...first, line: 4, repeated: true })
    expect(refused).toMatchObject({ type: 'urn:limitkeep:problem:upload-rejected', outcome: 'rejected' })
    expect(refused.inForce).toEqual(expect.arrayContaining([expect.objectContaining({ revision: 7 })]))
    expect(broken).toMatchObject({ type: 'urn:limitkeep:problem:body-not-json', code: 'json-syntax', offset: 10 })
    expect(conflict).toMatchObject({ type: 'urn:limitkeep:problem:upload-key-reused', first: { runId: first.runId } })
    expect(again).toMatchObject({ repeated: true, uploadKey: before.uploadKey })
    expect(conflictBefore.first.runId).toBe(again.runId)
    expect((await batchOf(answered)).counts).toEqual({
      accepted: 1,
      held: 0,
      rejected: 1,
      conflict: 2,
      unreadable: 2,
      failed: 0,
      repeated: 2,
    })
    expect(await later(answered)).toEqual(answered.lines)
    expect(await later(answered, '?after=6', line.analyst)).toEqual(answered.lines.slice(6))
  })

  test('and sent again whole, every line that was taken is a repeat', async () => {
    const body = ndjson(Array.from({ length: 30 }, () => line.upload()))
    const first = await send(body)
    const second = await send(gzipSync(body), { gzip: true })
    expect(second.lines).toEqual(first.lines.map((one) => ({ ...one, repeated: true })))
    expect(await batchOf(second)).toMatchObject({ complete: true, lines: 30, counts: { repeated: 30, accepted: 0 } })
  })

  test('as one JSON array too', async () => {
    const uploads = [line.upload(), line.upload((wire) => (wire.extra = { note: '],[}{"\\' })), 'null', line.upload()]
    const texts = uploads.map((one) => (typeof one === 'string' ? one : JSON.stringify(one, null, 2)))
    const answered = await send(`[${texts.join(' ,\n')}]`, { type: 'application/json' })
    expect(statuses(answered).map(([, status]) => status)).toEqual([201, 201, 400, 201])
    const object = await send(JSON.stringify(line.upload()), { type: 'application/json; charset=utf-8' })
    expect(object.lines).toMatchObject([{ type: 'urn:limitkeep:problem:batch-incomplete', reason: 'stream-broken' }])
  })

  test('nothing at all is a batch of no lines', async () => {
    const answered = await send('')
    expect([answered.status, answered.lines]).toEqual([200, []])
    expect(await batchOf(answered)).toMatchObject({ complete: true, lines: 0 })
  })

  test('a sender may not speak for another station, and spoils no key of it', async () => {
    const good = line.upload()
    const foreign = { ...good, station: 'LDS-F9' }
    const answered = await send(ndjson([foreign, good]))
    expect(statuses(answered).map(([, status]) => status)).toEqual([422, 201])
  })
})

describe('whatever the client does', () => {
  test('10 MB are sent before a byte is read', async () => {
    const uploads = Array.from({ length: 2_500 }, () =>
      line.upload((wire) => (wire.extra = { note: 'n'.repeat(1_000) })),
    )
    const body = Buffer.from(ndjson(uploads))
    expect(body.length).toBeGreaterThan(10_000_000)
    const answered = await send(body)
    expect(answered.lines).toHaveLength(2_500)
    expect(answered.lines.every((one, index) => one.line === index + 1 && one.status === 201)).toBe(true)
  }, 60_000)

  test('a broken 501st line fails no other', async () => {
    const uploads: unknown[] = Array.from({ length: 505 }, () => line.upload())
    uploads[500] = '{"uploadKey": "LDS-F2:x'
    const answered = await send(ndjson(uploads))
    expect(answered.lines.filter(({ status }) => status !== 201).map((one) => [one.line, one.status])).toEqual([
      [501, 400],
    ])
    expect(answered.lines).toHaveLength(505)
  }, 30_000)

  test('of an over-long line the beginning is kept, its length and its hash', async () => {
    const long = `{"uploadKey":"${'x'.repeat(1_100_000)}"}`
    const answered = await send(ndjson([line.upload(), long, line.upload()]))
    expect(statuses(answered).map(([, status]) => status)).toEqual([201, 413, 201])
    expect(answered.lines[1]).toMatchObject({ code: 'line-too-long', length: long.length })
    const raw = await line.service.app.server.inject({
      url: `/v1/runs/${answered.lines[1].runId}/raw`,
      headers: { authorization: `Bearer ${line.analyst.token}` },
    })
    expect(raw.rawPayload.toString()).toBe(long.slice(0, 65_536))
    expect(await later(answered)).toEqual(answered.lines)
  })

  test('gzip cut off in the middle: what came whole is taken', async () => {
    // Text that does not compress away, so that whole lines come out before the cut.
    const uploads = Array.from({ length: 200 }, () =>
      line.upload(
        (wire) => (wire.extra = { note: Array.from({ length: 60 }, () => Math.random().toString(36)).join('') }),
      ),
    )
    const whole = gzipSync(ndjson(uploads))
    const answered = await send(whole.subarray(0, whole.length / 2), { gzip: true })
    const end = answered.lines.at(-1)
    expect(end).toMatchObject({ type: 'urn:limitkeep:problem:batch-incomplete', reason: 'stream-broken' })
    expect(end.detail).toMatch(/gzip/)
    expect(answered.lines.length).toBeGreaterThan(80)
    expect(answered.lines.slice(0, -1).every(({ status }) => status === 201)).toBe(true)
    expect(await later(answered)).toEqual(answered.lines)
    expect(await batchOf(answered)).toMatchObject({ complete: false, lines: answered.lines.length - 1 })
  })

  test.each([
    ['bytes that are no gzip', Buffer.from('no gzip at all'), /not whole gzip/],
    ['bytes behind the gzip', Buffer.concat([gzipSync('1\n'), Buffer.from('more')]), /gzip/],
    ['zeros', bomb(500, '\0'.repeat(1_048_576)), /64 MiB|200 times/],
    ['blank lines', bomb(500, '\n'.repeat(1_048_576)), /64 MiB|200 times/],
  ])(
    '%s end the batch',
    async (_, body, detail) => {
      const before = process.memoryUsage().rss
      const answered = await send(body, { gzip: true })
      expect(answered.lines.at(-1)).toMatchObject({ reason: 'stream-broken', detail: expect.stringMatching(detail) })
      expect(process.memoryUsage().rss - before).toBeLessThan(200_000_000)
    },
    30_000,
  )

  test('a client that dies in the middle of a line loses only that line', async () => {
    const socket = await open()
    const uploads = Array.from({ length: 12 }, () => line.upload())
    await push(socket, `${ndjson(uploads)}\n${JSON.stringify(line.upload()).slice(0, 900)}`)
    const location = await new Promise<string>((resolve) => {
      socket.on('data', (part) => resolve(/^location: (\S+)/im.exec(String(part))?.[1] ?? ''))
      socket.resume()
    })
    socket.destroy()
    const answered = { status: 200, location, retryAfter: undefined, lines: [] }
    await expect.poll(() => batchOf(answered), { timeout: 10_000 }).toMatchObject({ reason: 'client-gone', lines: 12 })
    expect((await later(answered)).map(({ status }) => status)).toEqual([...Array(12).fill(201), 422])
  })

  test('a key that is revoked in the middle ends the batch; what was taken stays', async () => {
    const station = await line.service.addKey({ kind: 'station', station: 'LDS-F2' })
    const socket = await open({ token: station.token })
    await push(socket, `${ndjson(Array.from({ length: 500 }, () => line.upload()))}\n`)
    const [row] = await until(() =>
      line.service.database.sql.query<{ batch: string }>(
        `SELECT batch_id AS batch FROM intake.uploads WHERE sender = $1 AND batch_id IS NOT NULL
         GROUP BY batch_id HAVING count(*) = 500`,
        [/^lk_([a-z2-7]{16})_/.exec(station.token ?? '')?.[1] ?? ''],
      ),
    )
    const key = /^lk_([a-z2-7]{16})_/.exec(station.token ?? '')?.[1]
    expected(await line.service.administrator.post(`/v1/keys/${key}/revocation`, { reason: 'lost' }), 200)
    await push(socket, `${ndjson(Array.from({ length: 500 }, () => line.upload()))}\n`)
    const { lines } = await read(socket)
    expect(lines).toHaveLength(501)
    expect(lines.at(-1)).toMatchObject({ reason: 'key-revoked', batchId: row?.batch })
    expect((await send('{}', { token: station.token })).status).toBe(401)
  }, 30_000)

  test('many lines take no more memory than few', async () => {
    const socket = await open()
    let most = 0
    const sampling = setInterval(() => {
      most = Math.max(most, process.memoryUsage().rss)
    }, 20)
    const before = process.memoryUsage().rss
    let answers = 0
    let tail = ''
    const sent = (async () => {
      for (let page = 0; page < 12; page += 1) {
        const lines = Array.from({ length: 500 }, (_, index) => ({
          station: 'LDS-F2',
          uploadKey: `many:${page}:${index}`,
          extra: { note: 'm'.repeat(1_000) },
        }))
        await push(socket, `${ndjson(lines)}\n`)
      }
      socket.write('0\r\n\r\n')
    })()
    socket.on('data', (part: Buffer) => {
      for (const byte of part) if (byte === 10) answers += 1
      tail = (tail + part.toString('latin1')).slice(-200)
    })
    socket.resume()
    await sent
    if (!socket.closed) await once(socket, 'close')
    clearInterval(sampling)
    // Each line ends with LF; so do the lines of the head and of the chunks, which are few.
    expect(answers).toBeGreaterThanOrEqual(6_000)
    expect(tail).not.toContain('batch-incomplete')
    expect(most - before).toBeLessThan(150_000_000)
  }, 90_000)
})

/** Megabytes of one text, compressed as members of one gzip stream that are put together without being inflated here. */
function bomb(count: number, text: string): Buffer {
  const member = gzipSync(text)
  return Buffer.concat(Array.from({ length: count }, () => member))
}

async function until<T>(ask: () => Promise<T[]>): Promise<T[]> {
  await expect.poll(async () => (await ask()).length, { timeout: 20_000 }).toBeGreaterThan(0)
  return ask()
}

describe('refused before a line is read', () => {
  test.each([
    ['another media type', { type: 'text/csv' }, 415],
    ['no key', { token: 'lk_x' }, 401],
  ] as const)('%s', async (_, sending, status) => {
    expect((await send('{}', sending)).status).toBe(status)
  })

  test('a person, and another coding', async () => {
    expect((await send('{}', { token: line.analyst.token })).status).toBe(403)
    const reply = await line.service.app.server.inject({
      method: 'POST',
      url: '/v1/runs/batch',
      headers: {
        authorization: `Bearer ${line.station.token}`,
        'content-type': 'application/x-ndjson',
        'content-encoding': 'br',
      },
      payload: '{}',
    })
    expect(reply.statusCode).toBe(415)
  })

  test('the batch of another sender is not found, and one that is not there', async () => {
    const answered = await send(ndjson([line.upload()]))
    const other = await line.service.addKey({ kind: 'station', station: 'LDS-F2' })
    for (const path of [`/v1/batches/${idOf(answered)}`, answered.location]) {
      expect((await other.get(path)).body.type).toBe('urn:limitkeep:problem:batch-not-found')
    }
    expect((await line.analyst.get('/v1/batches/x')).status).toBe(404)
    expected(await line.analyst.get(`/v1/batches/${idOf(answered)}`), 200)
  })

  test('a fifth batch at once is told to come again', async () => {
    const open4 = await Promise.all(Array.from({ length: 4 }, () => open()))
    await Promise.all(open4.map((socket) => push(socket, '1\n')))
    await Promise.all(
      open4.map((socket) => {
        const head = once(socket, 'data')
        socket.resume()
        return head
      }),
    )
    const fifth = await send('1\n')
    expect([fifth.status, fifth.lines[0].type, fifth.retryAfter]).toEqual([
      503,
      'urn:limitkeep:problem:overloaded',
      '5',
    ])
    for (const socket of open4) socket.end('0\r\n\r\n')
    await Promise.all(open4.map((socket) => once(socket, 'close')))
  })
})

describe('a check', () => {
  const check = (body: unknown) => line.station.post('/v1/runs/check', body)

  test('answers as the upload would be, and stores nothing', async () => {
    const wire = line.upload()
    const { body } = expected(await check(wire), 200)
    CheckAnswerWire.parse(body)
    expect(body).toMatchObject({ stored: false, status: 201, outcome: 'accepted', verdict: 'pass', runId: null })
    const listed = await line.analyst.get(`/v1/runs?product=EX36&serial=${wire.serial}`)
    expect(listed.body.items).toEqual([])
    const sent = expected(await line.send(wire), 201).body
    expect(sent).toMatchObject({ repeated: false, attempt: 1, steps: body.steps, contentDigest: body.contentDigest })
  })

  test('says what is wrong', async () => {
    const { body } = expected(await check(line.upload((wire) => (wire.revision = 99))), 200)
    expect(body).toMatchObject({ status: 422, outcome: 'rejected', codes: [{ code: 'revision-unknown' }, {}] })
    expect((await check(line.upload((wire) => (wire.serial = 7)))).body.codes[0].code).toBe('serial-not-text')
    const broken = await line.station.send({
      method: 'POST',
      url: '/v1/runs/check',
      headers: { 'content-type': 'application/json' },
      payload: '{"a":',
    })
    expect([broken.status, broken.body.type]).toEqual([400, 'urn:limitkeep:problem:body-not-json'])
  })
})
