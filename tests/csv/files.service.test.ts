import { hash } from 'node:crypto'
import { once } from 'node:events'
import { connect } from 'node:net'
import { gzipSync } from 'node:zlib'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { csvLimits } from '../../src/csv/grid.ts'
import { readCsvUploads } from '../../src/csv/uploads.ts'
import { ProfileContentWire, StationFileWire } from '../../src/csv/words.ts'
import { sequencePage } from '../../src/ledger/acts-sequence.ts'
import type { Line, Wire } from '../support/line.ts'
import { type Client, expected } from '../support/service.ts'
import { cellsOf, confirmProfile, fileOf, HEADERS, openFileLine, profileContent, sendFile } from './station-files.ts'

/** Files of a station over HTTP: read by its profile whole, or refused whole and kept. */
let line: Line
let content: Wire
let profileDigest: string

beforeAll(async () => {
  line = await openFileLine()
  content = profileContent(line, 1)
  profileDigest = (await confirmProfile(line, content)).body.digest
})
afterAll(() => line.service.close())

/** Rows of new units, tested a minute apart and over by now. */
const rowsOf = (count: number) =>
  Array.from({ length: count }, () => {
    line.setClock(line.now() + 60_000)
    return cellsOf(line.upload())
  })
const runsOf = async (serial: string): Promise<Wire[]> => {
  const { items } = expected(await line.author.get('/v1/runs?limit=500'), 200).body
  return items.filter((one: Wire) => one.serial === serial && one.outcome !== 'repeated')
}
const countOfUploads = async (): Promise<number> => {
  const [row] = await line.service.database.sql.query<{ count: number }>('SELECT count(*) AS count FROM intake.uploads')
  return row?.count ?? -1
}
const fileOfAnswer = async (fileId: string, as: Client = line.station) =>
  StationFileWire.parse(expected(await as.get(`/v1/files/${fileId}`), 200).body)
const bytesOf = async (fileId: string): Promise<Buffer> => {
  const reply = await line.service.app.server.inject({
    url: `/v1/files/${fileId}/raw`,
    headers: { authorization: `Bearer ${line.author.token}` },
  })
  expect(reply.statusCode).toBe(200)
  return reply.rawPayload
}
const digestOf = (bytes: string | Buffer) => `sha256:${hash('sha256', bytes)}`

/** Sends a file that must be refused; no upload comes of it, and the bytes are there. */
async function refused(bytes: string | Buffer, options: Parameters<typeof sendFile>[2] = {}) {
  const before = await countOfUploads()
  const { status, lines } = await sendFile(line, bytes, options)
  expect([status, lines.length]).toEqual([422, 1])
  const [problem] = lines
  expect(problem.type).toBe('urn:limitkeep:problem:file-refused')
  expect(await countOfUploads()).toBe(before)
  expect((await bytesOf(problem.fileId)).equals(Buffer.from(bytes))).toBe(true)
  const { rows, fault } = await fileOfAnswer(problem.fileId)
  const { code, row, column, header, offset } = problem
  expect({ rows, fault }).toMatchObject({ rows: null, fault: { code, row, column, header, offset } })
  return problem
}

describe('a good file', () => {
  test('is a batch: one answer a row by its number in the file, and sent again it counts nothing twice', async () => {
    const rows = rowsOf(3)
    const file = fileOf(rows)
    const sent = await sendFile(line, file)
    expect(sent.status).toBe(200)
    expect(sent.lines.map((one) => [one.line, one.status, one.outcome, one.verdict, one.repeated])).toEqual(
      [2, 3, 4].map((row) => [row, 201, 'accepted', 'pass', false]),
    )
    const fileId = sent.location.split('/')[3] ?? ''
    expect(await fileOfAnswer(fileId)).toMatchObject({
      station: 'LDS-F2',
      digest: digestOf(file),
      length: file.length,
      profile: 1,
      profileDigest,
      rows: 3,
      fault: null,
    })
    expect(expected(await line.station.get(`/v1/batches/${fileId}`), 200).body).toMatchObject({
      complete: true,
      lines: 3,
      counts: { accepted: 3 },
    })
    line.setClock(line.now() + 60_000)
    const again = await sendFile(line, file)
    expect(again.lines.map(({ line: row, runId, repeated }) => [row, runId, repeated])).toEqual(
      sent.lines.map(({ line: row, runId }) => [row, runId, true]),
    )
    expect(again.location).not.toBe(sent.location)
    const [kept] = await line.service.database.sql.query<{ count: number }>(
      'SELECT count(*) AS count FROM intake.file_contents WHERE digest = $1',
      [digestOf(file)],
    )
    expect(kept?.count).toBe(1)
    const [run, ...more] = await runsOf(rows[1]?.[2] ?? '')
    expect([more, run?.batchId, run?.line]).toEqual([[], fileId, 3])
  })

  test('can be read again from what was kept, to the digest of every run', async () => {
    const file = fileOf(rowsOf(2))
    const sent = await sendFile(line, gzipSync(file), { headers: { 'content-encoding': 'gzip' } })
    const fileId = sent.location.split('/')[3] ?? ''
    const { digest, profile } = await fileOfAnswer(fileId)
    const bytes = await bytesOf(fileId)
    expect([digest, bytes.toString()]).toEqual([digestOf(bytes), file])
    const answer = expected(await line.author.get(`/v1/stations/LDS-F2/profiles/${profile}`), 200).body
    const read = readCsvUploads(bytes, ProfileContentWire.parse(answer.content))
    if (!read.ok) throw new Error(read.fault.code)
    for (const [index, { row, upload }] of read.uploads.entries()) {
      const answered = sent.lines[index]
      expect(answered.line).toBe(row)
      const repeat = await line.send({ sentAt: new Date(line.now()).toISOString(), ...upload })
      expect(repeat.body).toMatchObject({ runId: answered.runId, repeated: true })
    }
  })

  test('enters the ledger with the digests of file and profile, before its rows', async () => {
    const file = fileOf(rowsOf(1))
    const sent = await sendFile(line, file)
    while ((await sequencePage(line.service.database)) !== 0);
    const { items } = expected(await line.author.get('/v1/events?kinds=uploadFile,uploadRuns&limit=500'), 200).body
    const fileId = sent.location.split('/')[3]
    const at = items.findIndex(({ subject }: Wire) => subject === `files/${fileId}`)
    expect(items[at]).toMatchObject({
      kind: 'uploadFile',
      facts: { site: 'leeds', station: 'LDS-F2', digest: digestOf(file), profile: 1, profileDigest, rows: 1 },
    })
    expect(items.findIndex(({ subject }: Wire) => subject === `runs/${sent.lines[0].runId}`)).toBeGreaterThan(at)
  })

  test('has rows that are rejected by themselves, as any upload', async () => {
    const [good = [], bad = []] = rowsOf(2)
    const sent = await sendFile(line, fileOf([bad.map((cell, index) => (index === 2 ? 'x'.repeat(200) : cell)), good]))
    expect(sent.lines.map((one) => [one.line, one.status])).toEqual([
      [2, 422],
      [3, 201],
    ])
  })

  test('shows a slow clock where the sender tells its time, and none where it does not', async () => {
    const [row = []] = rowsOf(1)
    line.setClock(line.now() + 660_000)
    const told = new Date(line.now() - 600_000).toISOString()
    const slow = await sendFile(line, fileOf([row]), { query: `?sentAt=${encodeURIComponent(told)}` })
    expect(slow.lines[0]).toMatchObject({ status: 202, codes: [{ code: 'clock-skew' }], skewMs: 600_000 })
    const silent = await sendFile(line, fileOf(rowsOf(1)))
    expect(silent.lines[0]).toMatchObject({ status: 201, skewMs: 0 })
  })

  test('without rows is taken, and answers nothing', async () => {
    expect(await sendFile(line, fileOf([]))).toMatchObject({ status: 200, lines: [] })
  })
})

describe('T19: the decimal mark that is declared', () => {
  const bond = (text: string) => {
    const [row = []] = rowsOf(1)
    return fileOf([[...row.slice(0, -1), text]])
  }
  test('0,482 by a comma is 0.482', async () => {
    const sent = await sendFile(line, bond('0,482'))
    const [{ runId }] = sent.lines
    const reply = await line.service.app.server.inject({
      url: `/v1/runs/${runId}/raw`,
      headers: { authorization: `Bearer ${line.author.token}` },
    })
    expect(JSON.parse(reply.body).steps[0].measurements[0].reading).toMatchObject({ value: '0.482', unit: 'mOhm' })
  })

  test.each([
    ['1.234,5', 'grouping-mark'],
    ['1.234', 'decimal-mark-wrong'],
    ['1 234', 'grouping-mark'],
    ['', 'cell-empty'],
    ['-', 'not-a-number'],
  ])('%s refuses the file: %s', async (text, code) => {
    const file = bond(text)
    const column = HEADERS.length
    const offset = file.lastIndexOf(`;${text}\r\n`) + 1
    expect(await refused(file)).toMatchObject({ code, row: 2, column, header: 'bond', offset })
  })

  test('a file of 4,999 good rows and a bad one has no result', async () => {
    const [row = []] = rowsOf(1)
    const rows = Array.from({ length: 4_999 }, (_, index) => [`LDS-F2:N${index}`, ...row.slice(1)])
    const file = fileOf([...rows, [...row.slice(0, -1), '118.4']])
    expect(await refused(file)).toMatchObject({ code: 'decimal-mark-wrong', row: 5_001, header: 'bond' })
  })
})

describe('T20: the encoding that is declared', () => {
  test('a UTF-8 mark is no part of the first header', async () => {
    const sent = await sendFile(line, `\ufeff${fileOf(rowsOf(1))}`)
    expect(sent.lines).toMatchObject([{ line: 2, status: 201 }])
  })

  test('a byte B5 refuses the file with its offset', async () => {
    const [row = []] = rowsOf(1)
    const good = Buffer.from(fileOf([row]))
    const at = good.lastIndexOf(';') + 2
    const file = Buffer.concat([good.subarray(0, at), Buffer.from([0xb5]), good.subarray(at)])
    expect(await refused(file)).toMatchObject({ code: 'bytes-invalid', row: 2, header: 'bond', offset: at })
  })

  test.each([
    ['a column lost', HEADERS.slice(1), { code: 'column-missing', row: 1, header: 'key' }],
    ['a column of nobody', ['lot', ...HEADERS], { code: 'column-undeclared', row: 1, column: 1, header: 'lot' }],
    ['a column twice', ['key', ...HEADERS], { code: 'header-repeated', row: 1, column: 2, header: 'key' }],
  ])('%s refuses the file', async (_, headers, fault) => {
    expect(await refused(fileOf([], headers))).toMatchObject(fault)
  })

  test.each([['charset=ISO-8859-1'], ['charset="nonsense"']])(
    'a media type that says %s refuses the file',
    async (charset) => {
      const headers = { 'content-type': `text/csv; ${charset}` }
      expect(await refused(fileOf([]), { headers })).toMatchObject({ code: 'encoding-wrong', row: 1, offset: 0 })
    },
  )

  test.each(['TEXT/CSV;charset=UTF8', 'text/plain; charset="utf-8"', 'text/csv'])('%s is taken', async (type) => {
    expect(await sendFile(line, fileOf([]), { headers: { 'content-type': type } })).toMatchObject({ status: 200 })
  })

  test('a file that ends within its last number is refused', async () => {
    expect(await refused(fileOf(rowsOf(1)).slice(0, -3))).toMatchObject({ code: 'last-line-open', row: 2 })
  })
})

describe('who may send what', () => {
  test('a key sends for its own stations alone, and no person does', async () => {
    const other = await line.service.addKey({ kind: 'station', station: 'LDS-F3' })
    const gateway = await line.service.addKey({ kind: 'gateway', site: 'leeds', stations: ['LDS-F2', 'LDS-F3'] })
    const file = fileOf(rowsOf(1))
    expect((await sendFile(line, file, { as: other })).status).toBe(403)
    expect((await sendFile(line, file, { as: line.author })).status).toBe(403)
    expect((await sendFile(line, file, { station: 'nowhere' })).status).toBe(403)
    const sent = await sendFile(line, file, { as: gateway })
    expect(sent.lines).toMatchObject([{ line: 2, status: 201 }])
    const fileId = sent.location.split('/')[3] ?? ''
    expect((await other.get(`/v1/files/${fileId}`)).status).toBe(404)
    expect((await line.station.get(`/v1/files/${fileId}`)).status).toBe(200)
  })

  test('a station without a profile is told so, and its file is kept', async () => {
    const other = await line.service.addKey({ kind: 'station', station: 'LDS-F3' })
    const { status, lines } = await sendFile(line, 'serial\n', { as: other, station: 'LDS-F3' })
    expect([status, lines[0].code, lines[0].profile]).toEqual([422, 'profile-missing', null])
    expect((await bytesOf(lines[0].fileId)).toString()).toBe('serial\n')
  })

  test('a file that was written for another profile is refused', async () => {
    expect(await refused(fileOf([]), { query: '?profile=2' })).toMatchObject({
      code: 'profile-not-current',
      profile: 1,
    })
    expect(await sendFile(line, fileOf([]), { query: '?profile=1' })).toMatchObject({ status: 200 })
  })

  test.each([
    [{ 'content-type': 'application/json' }, 415],
    [{ 'content-type': 'text/html' }, 415],
    [{ 'content-encoding': 'br' }, 415],
  ])('%j is refused before a byte is read', async (headers, status) => {
    expect(await sendFile(line, '[]', { headers: headers as Record<string, string> })).toMatchObject({ status })
  })

  test('a revoked key leaves nothing behind', async () => {
    const { body } = await line.service.administrator.post('/v1/keys', { kind: 'station', station: 'LDS-F2' })
    const client = line.service.client(body.token)
    expect((await sendFile(line, fileOf([]), { as: client })).status).toBe(200)
    expected(await line.service.administrator.post(`/v1/keys/${body.key}/revocation`, { reason: 'lost' }), 200)
    expect((await sendFile(line, fileOf([]), { as: client })).status).toBe(401)
  })
})

describe('a file of hostile size', () => {
  test.each([
    ['as it is', false],
    ['as a gzip of some kilobytes', true],
  ])('beyond 32 MiB is refused %s, and its beginning is kept', async (_, isGzip) => {
    const head = fileOf([])
    const file = Buffer.concat([Buffer.from(head), Buffer.alloc(csvLimits.file, 'a')])
    const { status, lines } = await sendFile(line, isGzip ? gzipSync(file) : file, {
      headers: isGzip ? { 'content-encoding': 'gzip' } : {},
    })
    expect([status, lines[0].code, lines[0].offset]).toEqual([413, 'file-too-long', csvLimits.file])
    expect((await bytesOf(lines[0].fileId)).equals(file.subarray(0, 65_536))).toBe(true)
  })

  test('that is no whole gzip is refused, with what could be inflated', async () => {
    const zipped = gzipSync(fileOf(rowsOf(3)))
    const { status, lines } = await sendFile(line, zipped.subarray(0, zipped.length - 8), {
      headers: { 'content-encoding': 'gzip' },
    })
    expect([status, lines[0].code]).toEqual([422, 'file-cut'])
  })

  test('that breaks off is kept as far as it came', async () => {
    const { server } = line.service.app
    await server.listen({ port: 0, host: '127.0.0.1' })
    const address = server.server.address()
    if (address === null || typeof address === 'string') throw new Error('it listens to no port')
    const socket = connect(address.port, '127.0.0.1')
    await once(socket, 'connect')
    const begun = fileOf(rowsOf(2)).slice(0, -20)
    const head = [
      'POST /v1/stations/LDS-F2/files HTTP/1.1',
      'Host: test',
      `Authorization: Bearer ${line.station.token}`,
      'Content-Type: text/csv',
      'Content-Length: 100000',
    ]
    socket.write(`${head.join('\r\n')}\r\n\r\n${begun}`)
    socket.end()
    await expect.poll(() => codesOfLength(begun.length), { timeout: 5_000 }).toEqual(['file-cut'])
  })
})

async function codesOfLength(length: number): Promise<string[]> {
  const rows = await line.service.database.sql.query<{ code: string }>(
    "SELECT fault::jsonb->>'code' AS code FROM intake.files WHERE length = $1",
    [length],
  )
  return rows.map(({ code }) => code)
}
