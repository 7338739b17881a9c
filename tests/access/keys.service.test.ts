import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { bootstrapAdministrator } from '../../src/access/acts.ts'
import { findActor } from '../../src/access/reads.ts'
import { keyKinds, roles } from '../../src/access/words.ts'
import { realClock } from '../../src/platform/clock.ts'
import { openTestApp, type TestApp } from '../support/app.ts'
import { openTestDatabase } from '../support/database.ts'

let app: TestApp
beforeAll(async () => {
  app = await openTestApp()
  await app.database.sql.query(
    `INSERT INTO governance.site (site, name, time_zone, opened_at, recorded_at, recorded_by)
     VALUES ('leeds', 'Leeds', 'Europe/London', '2020-01-01Z', '2020-01-01Z', 'service'), ('osaka', 'Osaka', 'Asia/Tokyo', '2020-01-01Z', '2020-01-01Z', 'service')`,
  )
  await app.database.sql.query(
    `INSERT INTO governance.station (station, site, name, linked, recorded_at, recorded_by)
     VALUES ('LDS-F2', 'leeds', 'F2', 'automatic', '2020-01-01Z', 'service'), ('OSK-A1', 'osaka', 'A1', 'keyed', '2020-01-01Z', 'service')`,
  )
  await app.database.sql.query(
    `INSERT INTO intake.gate (site_id, version, rules_version, recorded_at) VALUES ('leeds', 0, 0, '1970-01-01Z'), ('osaka', 0, 0, '1970-01-01Z')`,
  )
})
afterAll(() => app.close())

const versions = async () =>
  Object.fromEntries(
    (
      await app.database.sql.query<{ site_id: string; version: number }>('SELECT site_id, version FROM intake.gate')
    ).map((row) => [row.site_id, row.version]),
  )

const entries = async (subject: string) =>
  (
    await app.database.sql.query<{ content: string }>(
      'SELECT content FROM intake.ledger_entries ORDER BY recorded_at, entry_id',
    )
  )
    .map((row) => JSON.parse(row.content))
    .filter((entry) => entry.subject === subject)

describe('persons', () => {
  test('are added once, and the ledger has their roles but never their name', async () => {
    const before = await versions()
    const draft = { person: 'P-0398', name: 'Ada Holm', roles: ['author', 'analyst'] }
    const made = await app.administrator.post('/v1/persons', draft)
    expect([made.status, made.headers['location']]).toEqual([201, '/v1/persons/P-0398'])
    expect(made.body).toEqual({
      ...draft,
      recordedAt: '2026-03-16T09:00:00.000Z',
      recordedBy: 'administrator',
      oneTimeCode: 'not-fetched',
    })
    expect((await app.administrator.get('/v1/persons/P-0398')).body).toEqual(made.body)
    expect(await versions()).toEqual({ '*': (before['*'] ?? 0) + 1, leeds: 1, osaka: 1 })
    const again = await app.administrator.post('/v1/persons', { ...draft, name: 'Someone else' })
    expect([again.status, again.body.type]).toEqual([409, 'urn:limitkeep:problem:already-exists'])
    const [entry] = await entries('persons/P-0398')
    expect(entry).toMatchObject({
      action: 'createPerson',
      by: 'administrator',
      facts: { roles: ['analyst', 'author'] },
    })
    expect(JSON.stringify(await entries('persons/P-0398'))).not.toContain('Ada')
  })

  test('that are not there are not found', async () => {
    const { status, body } = await app.administrator.get('/v1/persons/P-9999')
    expect([status, body.type]).toEqual([404, 'urn:limitkeep:problem:person-not-found'])
  })

  test.each([
    [{ person: 'P 1', name: 'N', roles: [] }, '#/person'],
    [{ person: 'P'.repeat(65), name: 'N', roles: [] }, '#/person'],
    [{ person: 'P-1', name: '', roles: [] }, '#/name'],
    [{ person: 'P-1', name: 'a\nb', roles: [] }, '#/name'],
    [{ person: 'P-1', name: 'N', roles: ['king'] }, '#/roles/0'],
    [{ person: 'P-1', name: 'N', roles: ['author', 'author'] }, '#/roles'],
    [{ person: 'P-1', name: 'N' }, '#/roles'],
    [{ person: "P'; DROP TABLE governance.person; --", name: 'N', roles: [] }, '#/person'],
    [{ person: 'P-1', name: 'N', roles: [], admin: true }, '#/admin'],
  ])('%j is refused at %s', async (draft, pointer) => {
    const { status, body } = await app.administrator.post('/v1/persons', draft)
    expect([status, body.errors[0].pointer]).toEqual([422, pointer])
  })

  test('are listed in pages that hold each once', async () => {
    for (const name of ['L-3', 'L-1', 'L-2'])
      await app.administrator.post('/v1/persons', { person: name, name, roles: [] })
    const seen: string[] = []
    let cursor = ''
    do {
      const { body } = await app.administrator.get(`/v1/persons?limit=2${cursor}`)
      seen.push(...body.items.map((item: { person: string }) => item.person))
      cursor = body.nextCursor === null ? '' : `&cursor=${body.nextCursor}`
    } while (cursor !== '')
    expect(new Set(seen).size).toBe(seen.length)
    expect(seen.filter((name) => name.startsWith('L-'))).toEqual(['L-1', 'L-2', 'L-3'])
  })
})

describe('keys', () => {
  test('show their token once and never again', async () => {
    await app.administrator.post('/v1/persons', { person: 'P-1000', name: 'N', roles: ['analyst'] })
    const made = await app.administrator.post('/v1/keys', { kind: 'person', person: 'P-1000' })
    expect(made.status).toBe(201)
    expect(made.headers['cache-control']).toBe('no-store')
    const { token, ...shown } = made.body
    expect(token).toMatch(/^lk_[a-z2-7]{16}_[A-Za-z0-9_-]{43}$/)
    expect((await app.administrator.get(String(made.headers['location']))).body).toEqual(shown)
    expect(JSON.stringify((await app.administrator.get('/v1/keys')).body)).not.toContain(token)
    const stored = await app.database.sql.query('SELECT row_to_json(k)::text AS text FROM governance.access_key k')
    expect(JSON.stringify(stored)).not.toContain(token.slice(20))
    expect(app.logged()).not.toContain(token.slice(20))
    expect(await findActor(app.database.sql, token)).toEqual({
      kind: 'person',
      key: shown.key,
      person: 'P-1000',
      roles: ['analyst'],
    })
  })

  test('of machines are bound to one site and raise only its version', async () => {
    const before = await versions()
    const station = await app.administrator.post('/v1/keys', { kind: 'station', station: 'OSK-A1' })
    expect(station.body).toMatchObject({ kind: 'station', site: 'osaka', stations: ['OSK-A1'], person: null })
    const gateway = await app.administrator.post('/v1/keys', { kind: 'gateway', site: 'osaka', stations: ['OSK-A1'] })
    expect(await findActor(app.database.sql, gateway.body.token)).toEqual({
      kind: 'gateway',
      key: gateway.body.key,
      site: 'osaka',
      stations: ['OSK-A1'],
    })
    expect(await versions()).toEqual({ ...before, osaka: (before['osaka'] ?? 0) + 2 })
    const changes = await app.database.sql.query(
      "SELECT site_id, key FROM intake.gate_changes WHERE kind = 'key' AND key = $1",
      [gateway.body.key],
    )
    expect(changes).toEqual([{ site_id: 'osaka', key: gateway.body.key }])
  })

  test.each([
    [{ kind: 'person', person: 'P-9999' }, '#/person', 'reference-unknown'],
    [{ kind: 'station', station: 'X' }, '#/station', 'reference-unknown'],
    [{ kind: 'gateway', site: 'york', stations: ['LDS-F2'] }, '#/site', 'reference-unknown'],
    [{ kind: 'gateway', site: 'leeds', stations: ['LDS-F2', 'X'] }, '#/stations/1', 'reference-unknown'],
    [{ kind: 'gateway', site: 'leeds', stations: ['LDS-F2', 'OSK-A1'] }, '#/stations/1', 'field-invalid'],
    [{ kind: 'gateway', site: 'leeds', stations: [] }, '#/stations', 'field-invalid'],
    [{ kind: 'gateway', site: 'leeds', stations: ['LDS-F2', 'LDS-F2'] }, '#/stations', 'field-invalid'],
    [{ kind: 'robot' }, '#/kind', 'field-invalid'],
    [{ kind: 'person', person: 'P-0398', site: 'leeds' }, '#/site', 'field-unknown'],
  ])('%j is refused at %s', async (draft, pointer, code) => {
    const { status, body } = await app.administrator.post('/v1/keys', draft)
    expect(status).toBe(422)
    expect(body.errors[0]).toMatchObject({ pointer, code })
  })

  test('are revoked once, from then on, for a reason', async () => {
    await app.administrator.post('/v1/persons', { person: 'P-2000', name: 'N', roles: ['analyst'] })
    const made = (await app.administrator.post('/v1/keys', { kind: 'person', person: 'P-2000' })).body
    const client = app.as(made.token)
    expect((await client.get('/v1/persons')).status).toBe(200)
    const url = `/v1/keys/${made.key}/revocation`
    expect((await app.administrator.post(url, { reason: '' })).status).toBe(422)
    app.clock.at += 1
    const revoked = await app.administrator.post(url, { reason: 'left the company' })
    expect(revoked.body).toMatchObject({
      revokedBy: 'administrator',
      revokedReason: 'left the company',
      revokedAt: '2026-03-16T09:00:00.001Z',
    })
    expect((await client.get('/v1/persons')).status).toBe(401)
    expect((await app.administrator.post(url, { reason: 'again' })).status).toBe(409)
    expect((await app.administrator.post('/v1/keys/none/revocation', { reason: 'x' })).status).toBe(404)
    expect((await entries(`keys/${made.key}`)).map((entry) => entry.action)).toEqual(['issueKey', 'revokeKey'])
  })

  test('the last one of an administrator stays', async () => {
    const mine = /^lk_([a-z2-7]{16})_/.exec(app.administrator.token)?.[1]
    const refused = await app.administrator.post(`/v1/keys/${mine}/revocation`, { reason: 'oops' })
    expect([refused.status, refused.body.type]).toEqual([409, 'urn:limitkeep:problem:last-administrator-key'])
    expect((await app.administrator.get('/v1/keys')).status).toBe(200)
    expect(await entries(`keys/${mine}`)).toHaveLength(1)
  })
})

describe('the first administrator', () => {
  test('is not made where any key is stored', async () => {
    expect(await bootstrapAdministrator(app.database)).toBeUndefined()
  })

  test('is made once where three starts race on an empty database', async () => {
    const { database, close } = await openTestDatabase(realClock, { poolMax: 4 })
    try {
      const raced = await Promise.all([1, 2, 3].map(() => bootstrapAdministrator(database)))
      const made = raced.filter((issued) => issued !== undefined)
      expect(made).toHaveLength(1)
      expect(await findActor(database.sql, made[0]?.token ?? '')).toMatchObject({
        person: 'administrator',
        roles: ['administrator'],
      })
    } finally {
      await close()
    }
  })
})

describe('SQL', () => {
  test('has the same closed lists as words.ts', async () => {
    const checks = await app.database.sql.query<{ name: string; text: string }>(
      `SELECT conname AS name, pg_get_constraintdef(oid) AS text FROM pg_constraint WHERE conname IN ('person_roles', 'access_key_kind')`,
    )
    const wordsOf = (name: string) =>
      [...(checks.find((check) => check.name === name)?.text ?? '').matchAll(/'([a-z]+)'::text/g)].map(
        ([, word]) => word,
      )
    expect(wordsOf('person_roles')).toEqual([...roles])
    expect(wordsOf('access_key_kind')).toEqual([...keyKinds])
  })
})
