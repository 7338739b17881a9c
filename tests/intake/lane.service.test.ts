import pg from 'pg'
import { afterAll, beforeAll, describe, expect, inject, test } from 'vitest'
import { createLane } from '../../src/intake/acts-lane.ts'
import { intakeStore } from '../../src/intake/store.ts'
import { receivedClock } from '../../src/platform/clock.ts'
import { silentLog } from '../../src/platform/log.ts'
import { onDatabase } from '../support/cluster.ts'
import { type Line, openLine, type Wire } from '../support/line.ts'
import type { Answer } from '../support/service.ts'
import { receivedOf } from './received.ts'

/** Many uploads in one commit (architecture 3), and what happens to the others when one goes wrong. */
let line: Line
let admin: pg.Client

beforeAll(async () => {
  line = await openLine({ still: true })
  line.setClock(line.now() + 3_600_000)
  const [row] = await line.service.database.sql.query<{ name: string }>('SELECT current_database() AS name')
  admin = new pg.Client({ connectionString: onDatabase(inject('cluster').adminUrl, row?.name ?? '') })
  await admin.connect()
})
afterAll(async () => {
  await admin.end()
  await line.service.close()
})

const many = (count: number, change?: (wire: Wire) => void): Wire[] =>
  Array.from({ length: count }, () => line.upload(change))

const sendAll = (wires: readonly Wire[]): Promise<Answer[]> => Promise.all(wires.map((wire) => line.send(wire)))

/** Sends each as a station does: what is told to come again comes again, with the same key. */
async function sendUntilTaken(wires: readonly Wire[]): Promise<Answer[]> {
  const answers = await sendAll(wires)
  for (const [index, wire] of wires.entries()) {
    while (answers[index]?.status === 503) answers[index] = await line.send(wire)
  }
  return answers
}

/** How many answers have each status. */
function statuses(answers: readonly Answer[]): Record<number, number> {
  const counts: Record<number, number> = {}
  for (const { status } of answers) counts[status] = (counts[status] ?? 0) + 1
  return counts
}

async function count(text: string, values: unknown[] = []): Promise<number> {
  const { rows } = await admin.query<{ count: number }>(text, values)
  return rows[0]?.count ?? Number.NaN
}

const uploads = () => count('SELECT count(*)::int AS count FROM intake.uploads')
const commits = () =>
  count(`SELECT count(*)::int AS count FROM intake.ledger_entries WHERE content LIKE '%"uploadRuns"%'`)

/** Keeps every upload from passing the gate while the work runs, as an act does that takes long. */
async function withGateHeld<T>(work: () => Promise<T>): Promise<T> {
  await admin.query('BEGIN; LOCK TABLE intake.gate IN EXCLUSIVE MODE')
  try {
    return await work()
  } finally {
    await admin.query('COMMIT')
  }
}

/** Waits until so many connections of this database wait for a lock. */
async function waiting(connections: number): Promise<void> {
  const text = `SELECT count(*)::int AS count FROM pg_stat_activity
    WHERE datname = current_database() AND wait_event_type = 'Lock'`
  for (let tries = 0; tries < 400; tries += 1) {
    if ((await count(text)) >= connections) return
    await new Promise((resolve) => setTimeout(resolve, 5))
  }
  throw new Error('nobody waits')
}

describe('uploads that come together', () => {
  test('five hundred at once are each answered, in far fewer commits', async () => {
    const before = await commits()
    const wires = many(500)
    const answers = await sendUntilTaken(wires)
    expect(statuses(answers)).toEqual({ 201: 500 })
    expect(new Set(answers.map(({ body }) => body.runId)).size).toBe(500)
    for (const [index, { body }] of answers.entries()) expect(body.uploadKey).toBe(wires[index]?.uploadKey)
    const made = (await commits()) - before
    expect(made).toBeGreaterThan(0)
    expect(made).toBeLessThan(250)
    // Every upload is in one entry, and in one alone.
    const { rows } = await admin.query<{ content: string }>(
      `SELECT content FROM intake.ledger_entries WHERE content LIKE '%"uploadRuns"%'`,
    )
    const listed = rows.flatMap(({ content }) => JSON.parse(content).facts.uploads.map((one: Wire) => one.uploadId))
    for (const { body } of answers) expect(listed.filter((id) => id === body.runId)).toHaveLength(1)
  })

  test('two thousand of one serial number stay bounded: each is taken, or told to come again', async () => {
    const serial = 'EX36-26-800000'
    const answers = await sendAll(many(2_000, (wire) => (wire.serial = serial)))
    const { 201: taken = 0, 503: refused = 0, ...others } = statuses(answers)
    expect(others).toEqual({})
    expect(taken + refused).toBe(2_000)
    expect(taken).toBeGreaterThan(100)
    for (const { status, headers } of answers) if (status === 503) expect(headers['retry-after']).toBe('1')
    expect(await count('SELECT count(*)::int AS count FROM intake.attempts WHERE serial = $1', [serial])).toBe(taken)
    const numbers = answers.filter(({ status }) => status === 201).map(({ body }) => body.attempt)
    // All started at the same instant; what was known at its commit numbers each, so no number is beyond what is there.
    expect(Math.max(...numbers)).toBeLessThanOrEqual(taken)
    const unit = await line.analyst.get(`/v1/units/EX36/${serial}/release`)
    expect(unit.body.releasable).toBe(true)
    const locked = await count(
      "SELECT version::int AS count FROM intake.units WHERE serial = $1 AND site_id = 'leeds'",
      [serial],
    )
    expect(locked).toBeLessThan(taken / 2)
  })
})

describe('a full queue', () => {
  test('answers 503 with Retry-After and stores nothing; what was queued is answered', async () => {
    const before = await uploads()
    // Each has almost a mebibyte, so that 32 of them fill the queue.
    const wires = many(45, (wire) => (wire.surplus = 'x'.repeat(1_000_000)))
    const answers = await withGateHeld(async () => {
      const sent = wires.map((wire) => line.send(wire))
      await waiting(2)
      const answered: Answer[] = []
      for (const one of sent) one.then((answer) => answered.push(answer))
      for (let tries = 0; tries < 200 && answered.length === 0; tries += 1) {
        await new Promise((resolve) => setTimeout(resolve, 5))
      }
      return sent
    }).then((sent) => Promise.all(sent))
    const { 422: queued = 0, 503: refused = 0, ...others } = statuses(answers)
    expect(others).toEqual({})
    expect(refused).toBeGreaterThan(0)
    expect(queued).toBeGreaterThan(0)
    for (const { status, headers, body } of answers.filter((one) => one.status === 503)) {
      expect([status, headers['retry-after'], body.type]).toEqual([503, '1', 'urn:limitkeep:problem:overloaded'])
    }
    expect((await uploads()) - before).toBe(queued)
  })

  test('an upload that waits too long for its turn is told to come again', async () => {
    const before = await uploads()
    const late = await withGateHeld(async () => {
      // One takes each of the two commits; the third waits behind them.
      const sent = [line.send(line.upload()), line.send(line.upload())]
      await waiting(1)
      sent.push(...many(300).map((wire) => line.send(wire)))
      const third = await Promise.race(sent)
      return { third, sent }
    })
    const answers = await Promise.all(late.sent)
    expect(late.third.status).toBe(503)
    const { 201: taken = 0, 503: refused = 0 } = statuses(answers)
    expect(taken + refused).toBe(302)
    expect((await uploads()) - before).toBe(taken)
  })
})

describe('one that goes wrong', () => {
  test('does not fail its neighbours; its bytes are kept, its key is free', async () => {
    // What the database refuses was refused before; so a constraint of the test's own stands for a bug of ours.
    await admin.query("ALTER TABLE intake.attempts ADD CONSTRAINT planted CHECK (serial <> 'EX36-26-666666') NOT VALID")
    const wires = many(30)
    const bad = wires[17]
    bad.serial = 'EX36-26-666666'
    const answers = await sendUntilTaken(wires)
    expect(statuses(answers)).toEqual({ 201: 29, 500: 1 })
    expect(answers[17]?.body).toMatchObject({ type: 'urn:limitkeep:problem:unexpected', requestId: expect.any(String) })
    expect(JSON.stringify(answers[17]?.body)).not.toMatch(/planted|constraint|attempts/)
    const { items } = (await line.analyst.get('/v1/runs?outcome=failed')).body
    expect(items).toMatchObject([{ outcome: 'failed', status: 500, uploadKey: null }])
    const reply = await line.service.app.server.inject({
      url: `/v1/runs/${items[0].runId}/raw`,
      headers: { authorization: `Bearer ${line.analyst.token}` },
    })
    expect(JSON.parse(reply.payload)).toEqual(bad)
    await admin.query('ALTER TABLE intake.attempts DROP CONSTRAINT planted')
    expect((await line.send(bad)).status).toBe(201)
  })

  test('a bug met in one of them does not fail the others either', async () => {
    const { database } = line.service
    const store = intakeStore(database, receivedClock(line.service.clock))
    const wires = many(10)
    const bad = wires[4]
    const kept: string[] = []
    const lane = createLane({
      port: {
        ...store,
        inCommit: (work) =>
          store.inCommit((commit) =>
            work({
              ...commit,
              append: async (rows) => {
                if (rows.uploads.some(({ serial }) => serial === bad.serial)) throw new TypeError('a bug of ours')
                await commit.append(rows)
              },
            }),
          ),
      },
      ids: database.ids,
      log: silentLog,
      keepFailed: async ({ runId }) => {
        kept.push(runId)
      },
    })
    const all = wires.map((wire) => receivedOf(line, wire))
    const results = await Promise.allSettled(all.map((one) => lane.submit(one)))
    expect(results.map(({ status }) => status)).toEqual(wires.map((wire) => (wire === bad ? 'rejected' : 'fulfilled')))
    expect(results[4]).toMatchObject({ reason: new TypeError('a bug of ours') })
    expect(kept).toEqual([all[4]?.runId])
    await Promise.all([lane.drain(), lane.drain()])
  })

  test('a connection that dies under its commit is made good: each is answered, and stored once', async () => {
    const wires = many(20)
    const sent = await withGateHeld(async () => {
      const started = wires.map((wire) => line.send(wire))
      await waiting(1)
      await admin.query(
        `SELECT pg_terminate_backend(pid) FROM pg_stat_activity
         WHERE datname = current_database() AND wait_event_type = 'Lock'`,
      )
      return started
    }).then((started) => Promise.all(started))
    expect(statuses(sent)).toEqual({ 201: 20 })
    const serials = wires.map(({ serial }) => serial)
    expect(await count('SELECT count(*)::int AS count FROM intake.uploads WHERE serial = ANY ($1)', [serials])).toBe(20)
  })

  test('a commit whose answer was lost answers as the first', async () => {
    const { database } = line.service
    const store = intakeStore(database, receivedClock(line.service.clock))
    let losses = 0
    const lane = createLane({
      port: {
        ...store,
        inCommit: (work) =>
          store
            .inCommit(async (commit) => {
              let hasAppended = false
              const result = await work({
                ...commit,
                append: async (rows) => {
                  await commit.append(rows)
                  hasAppended = true
                },
              })
              return { result, hasAppended }
            })
            .then(({ result, hasAppended }) => {
              if (!hasAppended) return result
              losses += 1
              throw Object.assign(new Error('read ECONNRESET'), { code: 'ECONNRESET' })
            }),
      },
      ids: database.ids,
      log: silentLog,
      keepFailed: async () => {
        throw new Error('nothing failed for its data')
      },
    })
    const wire = line.upload()
    const submitted = receivedOf(line, wire)
    const result = await lane.submit(submitted)
    expect(losses).toBe(1)
    expect(result).toMatchObject({ kind: 'repeat', first: { uploadId: submitted.runId } })
    expect(await count('SELECT count(*)::int AS count FROM intake.attempts WHERE serial = $1', [wire.serial])).toBe(1)
    await lane.drain()
    await expect(lane.submit(receivedOf(line, line.upload()))).rejects.toMatchObject({ key: 'stopping' })
  })
})

describe('when the service stops', () => {
  test('what is queued is answered, and nothing more is taken', async () => {
    const sent = await withGateHeld(async () => {
      const started = many(40).map((wire) => line.send(wire))
      await waiting(1)
      const closed = line.service.app.close()
      return [...started, closed.then(() => 'closed' as const)]
    }).then((started) => Promise.all(started))
    const answers = sent.filter((one) => one !== 'closed')
    expect(statuses(answers)).toEqual({ 201: 40 })
    expect(sent.at(-1)).toBe('closed')
  })
})
