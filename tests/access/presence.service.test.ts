import pg from 'pg'
import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { presenceOn } from '../../src/access/acts-presence.ts'
import { findActor } from '../../src/access/reads.ts'
import { timeStep } from '../../src/access/signature.ts'
import type { PersonActor } from '../../src/access/words.ts'
import { Problem } from '../../src/platform/problems.ts'
import { openTestApp, type Signer, type TestApp } from '../support/app.ts'

const SECOND = 1_000
const STEP = 30 * SECOND
const MINUTE = 60 * SECOND

let app: TestApp
let signer: Signer
let actor: PersonActor
let count = 0

beforeAll(async () => {
  app = await openTestApp('2026-03-16T09:00:00.000Z', 8)
})
afterAll(() => app.close())

// Each test has a person of its own and a time of its own.
beforeEach(async () => {
  count += 1
  app.clock.at += 60 * MINUTE
  signer = await app.signer(`P-${count}`, ['approver'])
  actor = await actorOf(signer.token)
})

async function actorOf(token: string): Promise<PersonActor> {
  const found = await findActor(app.database.sql, token)
  if (found?.kind !== 'person') throw new Error('not a person')
  return found
}

const secretsKey = new Uint8Array(32).fill(7)

/** 'present', or the key of the refusal. */
async function verify(code: string | undefined, by = actor, check = presenceOn(app.database, secretsKey)) {
  try {
    await check(by, code)
    return 'present'
  } catch (error) {
    if (error instanceof Problem) return error.key
    throw error
  }
}

describe('presence', () => {
  test('is missing until a code opens it, for five minutes to the millisecond', async () => {
    expect(await verify(undefined)).toBe('one-time-code-missing')
    const openedAt = app.clock.at
    expect(await verify(signer.code())).toBe('present')
    app.clock.at = openedAt + 5 * MINUTE - 1
    expect(await verify(undefined)).toBe('present')
    app.clock.at = openedAt + 5 * MINUTE
    expect(await verify(undefined)).toBe('one-time-code-missing')
  })

  test('belongs to one key, not to the person', async () => {
    const other = await app.key({ kind: 'person', person: signer.person })
    expect(await verify(signer.code())).toBe('present')
    expect(await verify(undefined, await actorOf(other.token))).toBe('one-time-code-missing')
  })

  test('is not lengthened by a clock set back', async () => {
    expect(await verify(signer.code())).toBe('present')
    app.clock.at -= 10 * MINUTE
    expect(await verify(undefined)).toBe('one-time-code-missing')
  })

  test('ends when an administrator voids the secret; the old codes count no more', async () => {
    expect(await verify(signer.code())).toBe('present')
    const voided = await app.administrator.post(`/v1/persons/${signer.person}/one-time-code/voiding`, {
      reason: 'lost phone',
    })
    expect(voided.status).toBe(200)
    expect(voided.body).toMatchObject({ person: signer.person, voidedBy: 'administrator', reason: 'lost phone' })
    app.clock.at += STEP
    expect(await verify(undefined)).toBe('one-time-code-missing')
    expect(await verify(signer.code())).toBe('one-time-code-invalid')
    const fetched = await signer.post(`/v1/persons/${signer.person}/one-time-code`)
    expect(fetched.status).toBe(201)
    expect(fetched.body.secret).toMatch(/^[A-Z2-7]{32}$/)
  })
})

describe('presence and the end of a secret', () => {
  test('in a race: a code of a voided secret opens nothing that lasts', async () => {
    const admin = new pg.Client({ connectionString: app.urls.adminUrl })
    await admin.connect()
    try {
      // Whoever uses up the code of this step waits here, after the secret was read.
      await admin.query('BEGIN')
      await admin.query('INSERT INTO governance.used_code (person, time_step) VALUES ($1, $2)', [
        signer.person,
        timeStep(app.clock.at),
      ])
      const opening = verify(signer.code())
      await waitingForLocks(1)
      let isVoided = false
      const voiding = app.administrator
        .post(`/v1/persons/${signer.person}/one-time-code/voiding`, { reason: 'telephone lost' })
        .finally(() => {
          isVoided = true
        })
      await waitingForLocks(2, () => isVoided)
      await admin.query('ROLLBACK')
      expect((await voiding).status).toBe(200)
      await opening
      expect(await verify(undefined)).toBe('one-time-code-missing')
    } finally {
      await admin.end()
    }
  })
})

/** Waits until so many connections of this database wait for a lock, or something else has happened. */
async function waitingForLocks(connections: number, hasHappened = () => false): Promise<void> {
  const waiting = async () =>
    hasHappened() ||
    (
      await app.database.sql.query(
        "SELECT 1 FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'",
      )
    ).length >= connections
  await expect.poll(waiting, { interval: 5, timeout: 10_000 }).toBe(true)
}

describe('what opened presence', () => {
  test('stands in the ledger with its key and the time step of the code; what did not open it does not', async () => {
    const code = signer.code()
    expect(await verify(code)).toBe('present')
    expect(await verify(undefined)).toBe('present')
    expect(await verify(code)).toBe('one-time-code-invalid')
    const rows = await app.database.sql.query<{ content: string }>(
      "SELECT content FROM intake.ledger_entries WHERE content::jsonb ->> 'subject' = $1",
      [`persons/${signer.person}`],
    )
    const opened = rows.map(({ content }) => JSON.parse(content)).filter(({ action }) => action === 'openPresence')
    expect(opened).toMatchObject([
      {
        by: signer.person,
        key: actor.key,
        facts: { timeStep: timeStep(app.clock.at) },
        recordedAt: new Date(app.clock.at).toISOString(),
      },
    ])
  })
})

describe('a code', () => {
  test('counts in its step, the one before and the one after', async () => {
    for (const [away, said] of [
      [-2, 'one-time-code-invalid'],
      [-1, 'present'],
      [0, 'present'],
      [1, 'present'],
      [2, 'one-time-code-invalid'],
    ] as const) {
      expect(await verify(signer.code(away)), String(away)).toBe(said)
    }
  })

  test('counts once, also while it is still shown, and also through another key', async () => {
    const code = signer.code()
    expect(await verify(code)).toBe('present')
    expect(await verify(code)).toBe('one-time-code-invalid')
    const other = await app.key({ kind: 'person', person: signer.person })
    expect(await verify(code, await actorOf(other.token))).toBe('one-time-code-invalid')
    app.clock.at += STEP
    expect(await verify(code)).toBe('one-time-code-invalid')
    app.clock.at += STEP
    expect(await verify(signer.code())).toBe('present')
  })

  test('sent eight times at once opens presence once', async () => {
    const check = presenceOn(app.database, secretsKey)
    const answers = await Promise.all(Array.from({ length: 8 }, () => verify(signer.code(), actor, check)))
    expect(answers.filter((answer) => answer === 'present')).toHaveLength(1)
    expect(answers.filter((answer) => answer === 'one-time-code-invalid')).toHaveLength(7)
    const used = await app.database.sql.query('SELECT time_step FROM governance.used_code WHERE person = $1', [
      signer.person,
    ])
    expect(used).toHaveLength(1)
  })

  test('of another person does not count', async () => {
    const other = await app.signer(`Q-${count}`, ['approver'])
    expect(await verify(other.code())).toBe('one-time-code-invalid')
    expect(await verify(signer.code(), await actorOf(other.token))).toBe('one-time-code-invalid')
  })

  test('that is wrong is refused also while presence is open', async () => {
    expect(await verify(signer.code())).toBe('present')
    expect(await verify('000000')).toBe('one-time-code-invalid')
    expect(await verify(undefined)).toBe('present')
  })

  test('is not looked at for a while after five wrong ones', async () => {
    const check = presenceOn(app.database, secretsKey)
    const wrong = ['000000', '111111', '222222', '333333', '444444', '555555'].filter(
      (code) => ![-1, 0, 1].some((away) => signer.code(away) === code),
    )
    for (const code of wrong.slice(0, 5)) expect(await verify(code, actor, check)).toBe('one-time-code-invalid')
    expect(await verify(signer.code(), actor, check)).toBe('one-time-code-invalid')
    app.clock.at += 5 * MINUTE
    expect(await verify(signer.code(), actor, check)).toBe('present')
  })

  test('needs a secret that was fetched', async () => {
    const person = await app.person(`Q-${count}`, ['approver'])
    expect(await verify('123456', await actorOf(person.token))).toBe('one-time-code-invalid')
  })

  test('does not count under another secrets key', async () => {
    const check = presenceOn(app.database, new Uint8Array(32).fill(8))
    await expect(check(actor, signer.code())).rejects.toThrow()
    expect(await verify(undefined)).toBe('one-time-code-missing')
  })
})

describe('the secret', () => {
  test('is shown once, to its own person, and lies sealed', async () => {
    expect((await signer.post(`/v1/persons/${signer.person}/one-time-code`)).body.type).toContain(
      'secret-already-fetched',
    )
    expect((await app.administrator.post(`/v1/persons/${signer.person}/one-time-code`)).body.type).toContain(
      'permission-missing',
    )
    const fetched = await app.administrator.post('/v1/persons/administrator/one-time-code')
    expect(fetched.headers['cache-control']).toBe('no-store')
    const rows = await app.database.sql.query<{ sealed: string }>('SELECT sealed FROM governance.one_time_secret')
    expect(rows.length).toBeGreaterThan(1)
    const stored = JSON.stringify(rows)
    expect(stored).not.toContain(fetched.body.secret)
    expect((await app.administrator.get(`/v1/persons/${signer.person}`)).body.oneTimeCode).toBe('fetched')
    expect(app.logged()).not.toContain(fetched.body.secret)
  })

  test('fetched eight times at once is made once', async () => {
    const person = await app.person(`Q-${count}`, [])
    const answers = await Promise.all(
      Array.from({ length: 8 }, () => person.post(`/v1/persons/Q-${count}/one-time-code`)),
    )
    expect(answers.map(({ status }) => status).sort()).toEqual([201, 409, 409, 409, 409, 409, 409, 409])
  })

  test('is voided only by an administrator, for a reason, where there is one', async () => {
    const url = `/v1/persons/${signer.person}/one-time-code/voiding`
    expect((await signer.post(url, { reason: 'mine' })).status).toBe(403)
    expect((await app.administrator.post(url, {})).body.errors[0].pointer).toBe('#/reason')
    expect(
      (await app.administrator.post('/v1/persons/P-none/one-time-code/voiding', { reason: 'x' })).body.type,
    ).toContain('person-not-found')
    expect((await app.administrator.post(url, { reason: 'x' })).status).toBe(200)
    expect((await app.administrator.post(url, { reason: 'x' })).body.type).toContain('one-time-secret-not-found')
  })
})
