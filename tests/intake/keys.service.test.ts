import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, type Client, created, expected } from '../support/service.ts'

/** One upload, one answer, once (design promise 6; trade cases T34 and T35), and who may send it. */
let line: Line
let gateway: Client
let osaka: Client

beforeAll(async () => {
  line = await openLine({ still: true })
  gateway = await line.service.addKey({ kind: 'gateway', site: 'leeds', stations: ['LDS-F2', 'LDS-F3'] })
  osaka = await line.service.addKey({ kind: 'station', station: 'OSA-A1' })
  line.setClock(line.now() + 60_000)
})
afterAll(() => line.service.close())

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)

async function rowsOf(serial: string): Promise<Wire> {
  const [counts] = await line.service.database.sql.query(
    `SELECT (SELECT count(*) FROM intake.uploads WHERE serial = $1)::int AS uploads,
            (SELECT count(*) FROM intake.runs WHERE serial = $1)::int AS runs,
            (SELECT count(*) FROM intake.attempts WHERE serial = $1)::int AS attempts,
            (SELECT count(*) FROM intake.ledger_entries e JOIN intake.uploads u ON e.content LIKE '%' || u.upload_id || '%'
             WHERE u.serial = $1)::int AS entries`,
    [serial],
  )
  return counts
}

describe('the same upload again', () => {
  test('twenty at once: one row, one attempt, one ledger entry, the same answer', async () => {
    const wire = line.upload()
    const answers = await Promise.all(
      Array.from({ length: 20 }, (_, index) =>
        line.send({ ...wire, sentAt: iso(Date.parse(wire.sentAt) + index), startedAgoMs: 34_680 + index }),
      ),
    )
    expect(new Set(answers.map(({ status }) => status))).toEqual(new Set([201]))
    expect(new Set(answers.map(({ body }) => body.runId)).size).toBe(1)
    expect(answers.filter(({ body }) => !body.repeated)).toHaveLength(1)
    const [first] = answers.filter(({ body }) => !body.repeated)
    // What the first one was answered: also its skew and the start it was sent with.
    for (const { body } of answers) expect({ ...body, repeated: false }).toEqual(first?.body)
    expect(await rowsOf(wire.serial)).toEqual({ uploads: 1, runs: 1, attempts: 1, entries: 1 })
  })

  test('hours later, through another key of the same station, and with nulls written out', async () => {
    const wire = line.upload()
    const first = expected(await line.send(wire), 201).body
    line.setClock(line.now() + 5 * 3_600_000)
    const again = await line.send({ ...wire, sentAt: iso(line.now()), jobOrder: wire.jobOrder, extra: null }, gateway)
    expect([again.status, again.body.runId, again.body.repeated]).toEqual([201, first.runId, true])
  })

  test('gets its first status: rejected 422 and held 202, also once the cause is gone', async () => {
    const rejected = line.upload((wire) => (wire.serial = 'X'))
    const first = expected(await line.send(rejected), 422).body
    const repeat = expected(await line.send(rejected), 422).body
    expect(repeat).toMatchObject({ runId: first.runId, repeated: true, type: first.type, codes: first.codes })
    const held = line.upload((wire) => (wire.person = 'P-0888'))
    expect((await line.send(held)).status).toBe(202)
    await line.service.addPerson('P-0888', [])
    const settled = expected(await line.send(held), 202).body
    expect(settled).toMatchObject({ outcome: 'held', repeated: true })
    // Judged anew it is under another key alone.
    expect((await line.send({ ...held, uploadKey: 'LDS-F2:again' })).status).toBe(201)
  })

  test('while the rules change in between is still the first answer', async () => {
    const wire = line.upload()
    const first = expected(await line.send(wire), 201).body
    await line.approve(8, 'at-once')
    line.setClock(line.now() + 60_000)
    expect(expected(await line.send(wire), 201).body).toEqual({ ...first, repeated: true })
    const other = line.upload()
    expect(codesOf(await line.send(other))).toEqual(['revision-stale'])
    await line.approve(9, 'at-once')
    const digest = (await line.analyst.get('/v1/plans/ex36-final/revisions/9')).body.digest
    const parts = { programs: ['3', '4'], revision: 9, revisionDigest: digest }
    created(await line.program('PG-0900', parts))
    line.setClock(line.now() + 60_000)
    cite = (one) => Object.assign(one, { revision: 9, revisionDigest: digest, programming: 'PG-0900' })
  })
})

let cite: (wire: Wire) => void = () => {}

describe('a key used for other content', () => {
  test('is a conflict; the first stays, and the bytes of both are kept', async () => {
    const wire = line.upload(cite)
    const first = expected(await line.send(wire), 201).body
    const other = { ...wire, jobOrder: 'JO-99999' }
    const conflict = await line.send(other)
    expect(conflict.status).toBe(409)
    expect(conflict.body).toMatchObject({
      type: 'urn:limitkeep:problem:upload-key-reused',
      uploadKey: wire.uploadKey,
      first: { runId: first.runId, contentDigest: first.contentDigest, receivedAt: first.receivedAt },
    })
    expect(conflict.body.contentDigest).not.toBe(first.contentDigest)
    const { items } = (await line.analyst.get(`/v1/runs?outcome=conflict&serial=${wire.serial}`)).body
    expect(items).toMatchObject([{ outcome: 'conflict', status: 409, uploadKey: wire.uploadKey }])
    for (const [runId, sent] of [
      [first.runId, wire],
      [items[0].runId, other],
    ]) {
      const reply = await line.service.app.server.inject({
        url: `/v1/runs/${runId}/raw`,
        headers: { authorization: `Bearer ${line.analyst.token}` },
      })
      expect(JSON.parse(reply.payload)).toEqual(sent)
    }
    expect((await line.analyst.get(`/v1/runs/${items[0].runId}`)).status).toBe(404)
    expect(expected(await line.send(wire), 201).body).toMatchObject({ runId: first.runId, repeated: true })
    expect((await line.analyst.get(`/v1/units/EX36/${wire.serial}`)).body.attempts).toHaveLength(1)
  })

  test('also where the first was rejected, or the second would be', async () => {
    const wire = line.upload(cite)
    expect((await line.send({ ...wire, serial: 'X' })).status).toBe(422)
    expect((await line.send(wire)).status).toBe(409)
    const mended = { ...wire, uploadKey: 'LDS-F2:mended', replaces: wire.uploadKey }
    expect((await line.send(mended)).status).toBe(201)
    expect((await line.send({ ...mended, surplus: true })).status).toBe(409)
  })

  test('two of them in one commit: one is taken, the other in conflict', async () => {
    const wire = line.upload(cite)
    const answers = await Promise.all(
      [wire, { ...wire, jobOrder: 'JO-1' }, { ...wire, jobOrder: 'JO-2' }].map((one) => line.send(one)),
    )
    expect(answers.map(({ status }) => status).sort()).toEqual([201, 409, 409])
    expect(await rowsOf(wire.serial)).toMatchObject({ uploads: 3, runs: 1, attempts: 1 })
  })
})

describe('who may send', () => {
  test('a key for another station is refused, and takes no upload key of it', async () => {
    const wire = line.upload(cite)
    const strange = await line.send(wire, osaka)
    expect(strange.status).toBe(422)
    expect(codesOf(strange)).toContain('station-mismatch')
    const unknown = await line.send({ ...wire, station: 'LDS-F9' })
    expect([unknown.status, codesOf(unknown)]).toEqual([422, expect.arrayContaining(['station-unknown'])])
    expect((await line.send(wire)).status).toBe(201)
    // Malformed besides, it is told both and takes no key either.
    const malformed = line.upload((one) => {
      cite(one)
      one.surplus = 1
    })
    expect(codesOf(await line.send(malformed, osaka)).sort()).toEqual(['field-invalid', 'station-mismatch'])
    delete malformed.surplus
    expect((await line.send(malformed)).status).toBe(201)
  })

  test('a gateway speaks for its own stations', async () => {
    expect((await line.send(line.upload(cite), gateway)).status).toBe(201)
  })

  test('a person uploads nothing, and neither does nobody', async () => {
    expect((await line.send(line.upload(cite), line.analyst)).status).toBe(403)
    expect((await line.send(line.upload(cite), line.service.client(undefined))).status).toBe(401)
    expect((await line.send(line.upload(cite), line.service.client('lk_nonsense'))).status).toBe(401)
  })

  test('a revoked key is refused at once, though it was just used, and stores nothing', async () => {
    const issued = created(
      await line.service.administrator.post('/v1/keys', { kind: 'station', station: 'LDS-F2' }),
    ).body
    const revoked = line.service.client(issued.token)
    expect((await line.send(line.upload(cite), revoked)).status).toBe(201)
    const path = `/v1/keys/${issued.key}/revocation`
    const answer = await line.service.administrator.post(path, { reason: 'the station was sold' })
    expect([200, 201]).toContain(answer.status)
    const before = await countUploads()
    const wire = line.upload(cite)
    expect((await line.send(wire, revoked)).status).toBe(401)
    expect((await line.send('not json', revoked)).status).toBe(401)
    expect(await countUploads()).toBe(before)
    expect((await line.send(wire)).status).toBe(201)
  })

  test('another station does not see the answers of this one', async () => {
    const { runId } = (await line.send(line.upload(cite))).body
    expect((await osaka.get(`/v1/runs/${runId}`)).status).toBe(404)
    expect((await gateway.get(`/v1/runs/${runId}`)).status).toBe(200)
    expect((await line.operator.get(`/v1/runs/${runId}`)).status).toBe(403)
  })
})

describe('the list of uploads', () => {
  const list = async (query: string) => expected(await line.analyst.get(`/v1/runs?${query}`), 200).body

  test('is filtered by outcome, station, product, serial, code and time, latest first', async () => {
    const all = (await list('limit=500')).items
    const instants = all.map(({ receivedAt }: { receivedAt: string }) => receivedAt)
    expect(instants).toEqual([...instants].sort().reverse())
    expect(new Set(all.map(({ outcome }: Wire) => outcome))).toEqual(
      new Set(['accepted', 'held', 'rejected', 'conflict']),
    )
    for (const [query, keep] of [
      ['outcome=rejected', (one: Wire) => one.outcome === 'rejected'],
      ['station=OSA-A1', (one: Wire) => one.station === 'OSA-A1'],
      ['code=station-mismatch', (one: Wire) => one.codes.some(({ code }: Wire) => code === 'station-mismatch')],
      ['product=EX36&outcome=held', (one: Wire) => one.outcome === 'held'],
      [
        `from=${instants[5]}&to=${instants[2]}`,
        (one: Wire) => one.receivedAt >= instants[5] && one.receivedAt < instants[2],
      ],
    ] as const) {
      expect((await list(`${query}&limit=500`)).items).toEqual(all.filter(keep))
    }
    expect((await list('station=LDS-F3')).items).toEqual([])
  })

  test('comes in pages that fit together', async () => {
    const all = (await list('limit=500')).items
    const paged: Wire[] = []
    let cursor: string | null = ''
    while (cursor !== null) {
      const page: Wire = await list(`limit=4${cursor === '' ? '' : `&cursor=${encodeURIComponent(cursor)}`}`)
      expect(page.items.length).toBeLessThanOrEqual(4)
      paged.push(...page.items)
      cursor = page.nextCursor
    }
    expect(paged).toEqual(all)
    expect((await line.analyst.get('/v1/runs?limit=4')).headers['link']).toMatch(/rel="next"/)
  })

  test('refuses what it does not know, by name', async () => {
    for (const query of [
      'outcome=good',
      'code=nope',
      'from=2026-03-16',
      'colour=red',
      'limit=0',
      'from=2026-03-17T00:00:00Z&to=2026-03-16T00:00:00Z',
    ]) {
      const answer = await line.analyst.get(`/v1/runs?${query}`)
      expect([query, answer.status, answer.body.type]).toEqual([query, 400, 'urn:limitkeep:problem:parameter-invalid'])
    }
    expect((await line.analyst.get('/v1/runs?cursor=abc')).body.type).toBe('urn:limitkeep:problem:cursor-invalid')
    const uuid = '019cf5ed-0fba-7c3e-9d41-5b8a1f20e6c7'
    for (const place of [[2 ** 53 - 1, uuid], [-1, uuid], [0, 'x'], ['0', uuid], [0], 0]) {
      const forged = Buffer.from(JSON.stringify(['runs', place])).toString('base64url')
      expect((await line.analyst.get(`/v1/runs?cursor=${forged}`)).status).toBe(400)
    }
    const far = Buffer.from(JSON.stringify(['runs', [8_640_000_000_000_000, uuid]])).toString('base64url')
    expect((await line.analyst.get(`/v1/runs?cursor=${far}`)).status).toBe(200)
    expect((await line.station.get('/v1/runs')).status).toBe(403)
  })
})

async function countUploads(): Promise<number> {
  const [row] = await line.service.database.sql.query<{ count: number }>(
    'SELECT count(*)::int AS count FROM intake.uploads',
  )
  if (row === undefined) throw new Error('a count is one row')
  return row.count
}
