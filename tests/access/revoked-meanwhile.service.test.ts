import pg from 'pg'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { type Answer, openTestApp, type Signer, type TestApp } from '../support/app.ts'

/**
 * A key that was live when its request began, and revoked while the request waited for the gate: it acts no more. The
 * gate is held by the test, the revocation is the first to wait for it, and PostgreSQL serves those who wait in turn.
 */
let app: TestApp
let admin: pg.Client

beforeAll(async () => {
  app = await openTestApp('2026-03-16T09:00:00.000Z', 8)
  admin = new pg.Client({ connectionString: app.urls.adminUrl })
  await admin.connect()
})
afterAll(async () => {
  await admin.end()
  await app.close()
})

const keyOf = (token: string) => /^lk_([a-z2-7]{16})_/.exec(token)?.[1] ?? ''

async function entries(action: string): Promise<{ key: string | null }[]> {
  const rows = await app.database.sql.query<{ content: string }>('SELECT content FROM intake.ledger_entries')
  return rows.map(({ content }) => JSON.parse(content)).filter((entry) => entry.action === action)
}

/** Sends the request, and before it reaches the gate the key that sends it is revoked. */
async function revokedMeanwhile(token: string, request: () => Promise<Answer>): Promise<Answer> {
  await admin.query('BEGIN; LOCK TABLE intake.gate IN EXCLUSIVE MODE')
  try {
    const reason = { reason: 'left the company' }
    const revocation = app.administrator.post(`/v1/keys/${keyOf(token)}/revocation`, reason)
    await waitingAtGate(1)
    const answer = request()
    await waitingAtGate(2)
    await admin.query('COMMIT')
    expect((await revocation).status).toBe(200)
    return await answer
  } finally {
    await admin.query('ROLLBACK')
  }
}

async function waitingAtGate(acts: number): Promise<void> {
  const waiting = async () =>
    (
      await app.database.sql.query(
        `SELECT 1 FROM pg_stat_activity
         WHERE datname = current_database() AND wait_event_type = 'Lock' AND query LIKE 'LOCK TABLE%'`,
      )
    ).length
  await expect.poll(waiting, { interval: 5, timeout: 10_000 }).toBe(acts)
}

const REFUSED = { status: 401, body: { type: 'urn:limitkeep:problem:key-invalid' } }

describe('a key revoked between its request and its act', () => {
  test('signs nothing, though presence is open', async () => {
    const author = await app.signer('P-0101', ['author'])
    const approver: Signer = await app.signer('P-0201', ['approver'])
    const content = {
      table: 'bonding-current',
      edition: 1,
      title: 'Least bonding current',
      ruleSet: 'routine',
      subject: 'protective-bonding',
      hitPolicy: 'U',
      inputs: [{ attribute: 'protectionClass', type: 'string' }],
      outputs: [{ parameter: 'testCurrent', relation: '>=', unit: 'A' }],
      rows: [{ row: 'r1', when: ['"I"'], then: ['10'] }],
      sources: [
        { rows: ['r1'], document: 'HR-1', documentEdition: '1', clause: '1', use: 'routine', verification: 'invented' },
      ],
    }
    const path = '/v1/rule-tables/bonding-current/editions'
    const { body: draft } = await author.post(path, { content, changeReason: 'first edition' })
    const body = { digest: draft.digest, effectiveFrom: 'at-once', meaning: 'compared', bindsBecause: 'house rule' }
    const publish = () => approver.post(`${path}/1/publication`, body, { 'one-time-code': approver.code() })
    expect(await revokedMeanwhile(approver.token, publish)).toMatchObject(REFUSED)
    expect((await author.get(`${path}/1`)).body.state).toBe('draft')
    expect(await entries('publishEdition')).toEqual([])
  })

  test('administers nothing', async () => {
    const second = await app.person('P-0002', ['administrator'])
    const draft = { person: 'P-0666', name: 'Accomplice', roles: ['administrator'] }
    expect(await revokedMeanwhile(second.token, () => second.post('/v1/persons', draft))).toMatchObject(REFUSED)
    expect((await app.administrator.get('/v1/persons/P-0666')).status).toBe(404)
  })

  test('fetches no secret', async () => {
    const person = await app.person('P-0301', [])
    const fetch = () => person.post('/v1/persons/P-0301/one-time-code')
    expect(await revokedMeanwhile(person.token, fetch)).toMatchObject(REFUSED)
    expect((await app.administrator.get('/v1/persons/P-0301')).body.oneTimeCode).toBe('not-fetched')
  })
})
