import pg from 'pg'
import { afterAll, beforeAll, describe, expect, inject, test } from 'vitest'
import { createIntake, type Intake } from '../../src/intake/acts.ts'
import { createLane, type Lane } from '../../src/intake/acts-lane.ts'
import type { IntakePort } from '../../src/intake/port.ts'
import { intakeStore } from '../../src/intake/store.ts'
import { receivedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { silentLog } from '../../src/platform/log.ts'
import { Problem } from '../../src/platform/problems.ts'
import { onDatabase } from '../support/cluster.ts'
import { type Line, openLine, type Wire } from '../support/line.ts'
import type { Client } from '../support/service.ts'
import { keyIdOf, receivedOf } from './received.ts'

/** A COMMIT that went through though its answer was lost, and a database that came back with another history. */
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

const ofStation = () => line.service.addKey({ kind: 'station', station: 'LDS-F2' })

/** How often a serial number stands in each table, and how many ledger entries name one of its uploads. */
async function rowsOf(serial: string): Promise<Record<string, number>> {
  const { rows } = await admin.query<Record<string, number>>(
    `SELECT (SELECT count(*) FROM intake.uploads WHERE serial = $1)::int AS uploads,
            (SELECT count(*) FROM intake.attempts WHERE serial = $1)::int AS attempts,
            (SELECT count(*) FROM intake.ledger_entries e JOIN intake.uploads u ON e.content LIKE '%' || u.upload_id || '%'
             WHERE u.serial = $1)::int AS entries`,
    [serial],
  )
  return rows[0] ?? {}
}

describe('an upload whose COMMIT went through though the answer was lost', () => {
  let intake: Intake
  let losses = 0

  beforeAll(() => {
    const { database, clock } = line.service
    const losing = losingAnswers(database, () => losses > 0 && losses-- > 0)
    const received = receivedClock(clock)
    intake = createIntake({ database: losing, received, log: silentLog, isLive: async () => true })
  })
  afterAll(() => intake.drain())

  /** What the handler answers: outcome and codes, or the problem. The next commit's answer is lost where so asked. */
  async function send(wire: Wire, { isLost = false, station = 'LDS-F2' } = {}) {
    if (isLost) losses = 1
    const { actor, raw } = receivedOf(line, wire, line.station, station)
    try {
      const { status, answer } = await intake.uploadRun(actor, raw)
      return { status, outcome: answer.outcome, repeated: answer.repeated }
    } catch (error) {
      if (!(error instanceof Problem)) throw error
      const { outcome, repeated, uploadKey } = error.members ?? {}
      return { status: error.status, outcome, repeated, uploadKey }
    } finally {
      expect(losses).toBe(0)
    }
  }

  const failing = (change: (wire: Wire) => void = () => {}) =>
    line.upload((wire) => {
      wire.stationVerdict = 'fail'
      change(wire)
    })

  test('under its own key is answered as the first', async () => {
    const wire = failing()
    expect(await send(wire, { isLost: true })).toEqual({ status: 201, outcome: 'accepted', repeated: false })
    expect(await rowsOf(wire.serial)).toEqual({ uploads: 1, attempts: 1, entries: 1 })
    expect(await send(wire)).toEqual({ status: 201, outcome: 'accepted', repeated: true })
  })

  test('in conflict is kept once, and so is the failure it reports', async () => {
    const wire = line.upload()
    await send(wire)
    const conflict = await send({ ...wire, stationVerdict: 'fail' }, { isLost: true })
    expect(conflict).toMatchObject({ status: 409, uploadKey: wire.uploadKey })
    expect(await rowsOf(wire.serial)).toEqual({ uploads: 2, attempts: 2, entries: 2 })
  })

  test('that took no key, because its sender may not speak for the station, is kept once', async () => {
    const wire = failing()
    const refused = { status: 422, outcome: 'rejected', repeated: false }
    expect(await send(wire, { isLost: true, station: 'LDS-F3' })).toMatchObject(refused)
    expect(await rowsOf(wire.serial)).toEqual({ uploads: 1, attempts: 1, entries: 1 })
  })

  test('that has no key is kept once, and so is its neighbour', async () => {
    const nameless = failing((wire) => delete wire.uploadKey)
    const neighbour = line.upload()
    losses = 2
    const sent = [nameless, neighbour].map((wire) =>
      intake.uploadRun(receivedOf(line, wire).actor, receivedOf(line, wire).raw),
    )
    const [first, second] = await Promise.allSettled(sent)
    expect(losses).toBe(0)
    expect(first).toMatchObject({ reason: { status: 422, members: { outcome: 'rejected', uploadKey: null } } })
    expect(second).toMatchObject({ value: { status: 201 } })
    for (const { serial } of [nameless, neighbour]) {
      expect(await rowsOf(serial)).toEqual({ uploads: 1, attempts: 1, entries: 1 })
    }
  })
})

describe('facts of another history', () => {
  /** A lane that remembers facts, on a database that may have become another one. */
  function laneOn(change: (port: IntakePort) => IntakePort): Lane {
    const { database, clock } = line.service
    return createLane({
      port: change(intakeStore(database, receivedClock(clock))),
      ids: database.ids,
      log: silentLog,
      keepFailed: (_, error) => Promise.reject(error),
    })
  }

  /** `stored`, or the key of the problem. */
  async function submit(lane: Lane, sender: Client, change?: (wire: Wire) => void): Promise<string> {
    try {
      return (await lane.submit(receivedOf(line, line.upload(change), sender))).kind
    } catch (error) {
      if (error instanceof Problem) return error.key
      throw error
    }
  }

  /** Revokes a key behind the back of the gate: so a lane that remembers does not see it. */
  const revokeUnseen = (sender: Client) =>
    admin.query(
      "UPDATE governance.access_key SET revoked_at = '2026-03-16Z', revoked_by = 'P-0001', revoked_reason = 'x' WHERE key = $1",
      [keyIdOf(sender)],
    )

  const setGate = (steps: number) =>
    admin.query("UPDATE intake.gate SET version = version + $1 WHERE site_id = 'leeds'", [steps])

  /** Uploads that find all their facts remembered, and that have to read one more. */
  const askers: [string, (wire: Wire) => void][] = [
    ['by an upload whose facts are all there', () => {}],
    ['by an upload that asks for more facts', (wire) => (wire.person = 'P-7777')],
  ]

  test.each(askers)('are dropped when the database may have become another one, as seen %s', async (_, change) => {
    const sender = await ofStation()
    let epoch = 1
    const lane = laneOn((port) => ({ ...port, epoch: () => epoch }))
    expect(await submit(lane, sender)).toBe('stored')
    await revokeUnseen(sender)
    // That it is remembered shows that the drop is what makes the difference.
    expect(await submit(lane, sender)).toBe('stored')
    epoch += 1
    expect(await submit(lane, sender, change)).toBe('key-invalid')
    await lane.drain()
  })

  test('are dropped also where that happens between deciding and committing', async () => {
    const sender = await ofStation()
    let epoch = 1
    let isFailover = false
    const lane = laneOn((port) => ({
      ...port,
      epoch: () => epoch,
      inCommit: (work) =>
        port.inCommit((commit) =>
          work({
            ...commit,
            async shareGate(site) {
              if (isFailover) epoch += 1
              return await commit.shareGate(site)
            },
          }),
        ),
    }))
    expect(await submit(lane, sender)).toBe('stored')
    await revokeUnseen(sender)
    isFailover = true
    expect(await submit(lane, sender)).toBe('key-invalid')
    await lane.drain()
  })

  test.each(askers)('are dropped when the gate went back, as seen %s', async (_, change) => {
    const sender = await ofStation()
    // The act that is going to be lost.
    await ofStation()
    const lane = laneOn((port) => port)
    expect(await submit(lane, sender)).toBe('stored')
    await admin.query(
      'DELETE FROM intake.gate_changes c USING intake.gate g WHERE (g.site_id, g.version) = (c.site_id, c.version)',
    )
    await setGate(-1)
    expect(await submit(lane, sender, change)).toBe('stored')
    // Another act takes the number of the one that was lost. Whoever kept the facts of that number is deceived.
    await revokeUnseen(sender)
    await setGate(1)
    await admin.query(
      `INSERT INTO intake.gate_changes (site_id, version, kind, key)
       SELECT site_id, version, 'key', $1 FROM intake.gate WHERE site_id = 'leeds'`,
      [keyIdOf(sender)],
    )
    expect(await submit(lane, sender)).toBe('key-invalid')
    await lane.drain()
  })

  test('are dropped at the first upload that finds the gate behind them', async () => {
    const sender = await ofStation()
    const lane = laneOn((port) => port)
    expect(await submit(lane, sender)).toBe('stored')
    await revokeUnseen(sender)
    await setGate(-1)
    expect(await submit(lane, sender)).toBe('key-invalid')
    await setGate(1)
    await lane.drain()
  })
})

/**
 * The database, but where `isLost` says so the answer to a COMMIT that appended uploads is lost with its connection, as
 * when the network breaks: it went through, and nobody is told.
 */
function losingAnswers(database: Database, isLost: () => boolean): Database {
  const connect = async () => {
    const client = await database.pool.connect()
    let hasAppended = false
    const query = async (asked: string | pg.QueryConfig) => {
      const text = typeof asked === 'string' ? asked : asked.text
      if (text.includes('appended_uploads')) hasAppended = true
      const answer = await client.query(asked)
      if (text !== 'COMMIT' || !hasAppended || !isLost()) return answer
      throw Object.assign(new Error('read ECONNRESET'), { code: 'ECONNRESET' })
    }
    return new Proxy(client, { get: (target, name) => (name === 'query' ? query : Reflect.get(target, name)) })
  }
  const pool = new Proxy(database.pool, {
    get: (target, name) => (name === 'connect' ? connect : Reflect.get(target, name)),
  })
  return { ...database, pool }
}
