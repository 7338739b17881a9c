import pg from 'pg'
import { afterAll, beforeAll, describe, expect, inject, test } from 'vitest'
import { intakeStore } from '../../src/intake/store.ts'
import { extractorStrength } from '../support/aldermoor.ts'
import { onDatabase } from '../support/cluster.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, expected } from '../support/service.ts'

/** The clock of receipt and the clock of acts, where one of them was set or a commit had to wait. */

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)

describe('the clock of receipt', () => {
  let line: Line
  let admin: pg.Client
  beforeAll(async () => {
    line = await openLine()
    line.setClock(line.now() + 60_000)
    const [row] = await line.service.database.sql.query<{ name: string }>('SELECT current_database() AS name')
    admin = new pg.Client({ connectionString: onDatabase(inject('cluster').adminUrl, row?.name ?? '') })
    await admin.connect()
  })
  afterAll(async () => {
    await admin.end()
    await line.service.close()
  })

  test('is told the time as soon as the gate has answered, and not at the end of the commit', async () => {
    const observed: number[] = []
    const store = intakeStore(line.service.database, { observe: (at) => observed.push(at), now: line.now })
    await store.inCommit(async (commit) => {
      const share = await commit.shareGate('leeds')
      expect(observed).toEqual([share?.databaseAt])
    })
  })

  test('is not set back by a commit that had to wait', async () => {
    const slow = line.upload()
    await admin.query('BEGIN')
    await admin.query("INSERT INTO intake.units VALUES ('leeds', 'EX36', $1, 1)", [slow.serial])
    // The first upload of this process, so that nothing else has told it the time.
    const waited = line.send(slow)
    await new Promise((resolve) => setTimeout(resolve, 600))
    await admin.query('ROLLBACK')
    expected(await waited, 201)
    // Received half a second before it was sent, a unit tested just now would count as tested in the future.
    const next = expected(await line.send(line.upload()), 201).body
    expect(next.skewMs).toBeGreaterThan(-100)
    expect(next.skewMs).toBeLessThan(500)
  })
})

describe('what changes between deciding and committing', () => {
  let line: Line
  beforeAll(async () => {
    line = await openLine({ still: true, startsAt: '2026-06-22T05:00:00.000Z' })
    line.setClock(line.now() + 60_000)
  })
  afterAll(() => line.service.close())

  test('a revision approved meanwhile, and a start months back: held, and its month is made', async () => {
    const long = Date.parse('2026-02-10T09:00:00.000Z')
    const cite = (digest: string) => (wire: Wire) => Object.assign(wire, { revision: 8, revisionDigest: digest })
    const missing = expected(await line.send(line.upload(cite(line.revisionDigest))), 422)
    expect(codesOf(missing)).toContain('revision-unknown')
    // The lane knows of no revision 8 when it decides; under the gate there is one.
    const digest = (await line.approve(8, 'at-once')).body.digest
    const months = () =>
      line.service.database.sql.query("SELECT 1 FROM pg_class WHERE relname LIKE 'runs%2026%02%' AND relkind = 'r'")
    expect(await months()).toEqual([])
    const wire = line.upload(cite(digest), { startedAt: long, sentAt: long + 60_000 })
    const held = expected(await line.send(wire), 202)
    expect(codesOf(held)).toContain('clock-skew')
    expect(held.body).toMatchObject({ startedAtUsed: iso(long), judgedBy: { revision: 8 } })
    expect(await months()).toHaveLength(1)
    expect((await line.analyst.get(`/v1/runs/${held.body.runId}`)).body).toEqual(held.body)
  })
})

describe('a clock that was ahead and is set back', () => {
  let line: Line
  beforeAll(async () => {
    line = await openLine({ still: true })
  })
  afterAll(() => line.service.close())

  test('lets no act take effect before a run that was accepted without it', async () => {
    const right = line.now() + 3_600_000
    line.setClock(right + 600_000)
    const run = expected(await line.send(line.upload()), 201).body
    line.setClock(right)
    // Taking effect at the clock's word, the edition would have been in effect when that run began.
    const { effectiveFrom } = (await line.publish(extractorStrength({ edition: 3 }))).body
    expect(Date.parse(effectiveFrom)).toBeGreaterThan(Date.parse(run.receivedAt))
  })
})
