import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import type { Permission } from '../../src/access/words.ts'
import { problemType } from '../../src/platform/problems.ts'
import { openTestApp, type TestApp } from '../support/app.ts'

/**
 * Every route of the service against every kind of sender. The list of routes is the service's own, so a route added
 * later is covered; whom each permission lets in is written out here, not read from the table.
 */
const allowed: Readonly<Record<Exclude<Permission, 'public'>, readonly string[]>> = {
  read: ['author', 'approver', 'analyst', 'administrator'],
  'read-run': ['author', 'approver', 'analyst', 'administrator', 'station', 'gateway'],
  upload: ['station', 'gateway'],
  assignment: ['nobody', 'author', 'approver', 'analyst', 'administrator', 'station', 'gateway'],
  'setup-sheet': ['nobody', 'author', 'approver', 'analyst', 'administrator'],
  program: ['nobody', 'author', 'approver', 'analyst', 'administrator'],
  write: ['author'],
  sign: ['approver'],
  stop: ['author', 'approver'],
  correct: ['author', 'approver'],
  ask: ['author', 'approver'],
  'record-unit': ['author', 'approver', 'analyst', 'administrator'],
  administer: ['administrator'],
  'own-secret': [],
}
const senders = ['nobody', 'author', 'approver', 'analyst', 'administrator', 'station', 'gateway'] as const

let test_: TestApp
const tokens = new Map<string, string>()

beforeAll(async () => {
  test_ = await openTestApp()
  const { database } = test_
  await database.sql.query(
    `INSERT INTO governance.site (site, name, time_zone, opened_at, recorded_at, recorded_by)
     VALUES ('leeds', 'Leeds', 'Europe/London', '2020-01-01Z', '2020-01-01Z', 'service'), ('osaka', 'Osaka', 'Asia/Tokyo', '2020-01-01Z', '2020-01-01Z', 'service')`,
  )
  await database.sql.query(
    `INSERT INTO governance.station (station, site, name, linked, recorded_at, recorded_by)
     VALUES ('LDS-F2', 'leeds', 'F2', 'automatic', '2020-01-01Z', 'service'), ('OSK-A1', 'osaka', 'A1', 'keyed', '2020-01-01Z', 'service')`,
  )
  await database.sql.query(
    `INSERT INTO intake.gate (site_id, version, rules_version, recorded_at) VALUES ('leeds', 0, 0, '1970-01-01Z'), ('osaka', 0, 0, '1970-01-01Z')`,
  )
  for (const role of ['author', 'approver', 'analyst', 'administrator'] as const) {
    tokens.set(role, (await test_.person(`P-${role}`, [role])).token)
  }
  tokens.set('nobody', (await test_.person('P-nobody', [])).token)
  tokens.set('station', (await test_.key({ kind: 'station', station: 'LDS-F2' })).token)
  tokens.set('gateway', (await test_.key({ kind: 'gateway', site: 'leeds', stations: ['LDS-F2'] })).token)
})
afterAll(() => test_.close())

/** A request that passes the guard and then, most likely, is refused for what it says. */
async function send(method: string, url: string, headers: Record<string, string>) {
  const path = url.replace(/:[a-zA-Z]+/g, '1')
  const reply = await test_.app.server.inject({ method: method as 'GET', url: path, headers })
  return { status: reply.statusCode, type: method === 'HEAD' ? '' : reply.json().type, headers: reply.headers }
}

describe('every route', () => {
  test('is known to the guard with its permission', () => {
    expect(test_.app.routes.length).toBeGreaterThan(10)
    for (const { url } of test_.app.routes) expect(url).toMatch(/^\/(v1\/|livez$|readyz$)/)
    const open = test_.app.routes.filter(({ permission }) => permission === 'public').map(({ url }) => url)
    expect([...new Set(open)].sort()).toEqual(['/livez', '/readyz'])
  })

  test('asks for a key that exists', async () => {
    const revoked = await test_.key({ kind: 'person', person: 'P-administrator' })
    const list = await test_.administrator.get('/v1/keys?limit=500')
    const id = /^lk_([a-z2-7]{16})_/.exec(revoked.token)?.[1]
    expect(list.body.items.map((item: { key: string }) => item.key)).toContain(id)
    await test_.administrator.post(`/v1/keys/${id}/revocation`, { reason: 'test' })
    const wrongSecret = `${tokens.get('administrator')?.slice(0, -4)}AAAA`
    for (const { method, url, permission } of test_.app.routes) {
      if (permission === 'public') continue
      const route = `${method} ${url}`
      const none = await send(method, url, {})
      expect([none.status, none.headers['www-authenticate']], route).toEqual([401, 'Bearer'])
      for (const authorization of [
        'Bearer x',
        `Basic ${btoa('a:b')}`,
        `Bearer ${revoked.token}`,
        `Bearer ${wrongSecret}`,
        `Bearer lk_${'a'.repeat(16)}_${'b'.repeat(43)}`,
      ]) {
        const refused = await send(method, url, { authorization })
        expect([refused.status, refused.headers['www-authenticate']], route).toEqual([
          401,
          'Bearer error="invalid_token"',
        ])
      }
    }
  })

  test.each(senders)('lets %s do what the table says, and nothing else', async (sender) => {
    for (const { method, url, permission } of test_.app.routes) {
      if (permission === 'public') continue
      const { status, type } = await send(method, url, { authorization: `Bearer ${tokens.get(sender)}` })
      const route = `${sender}: ${method} ${url} (${permission}) gave ${status} ${type}`
      const isRefused = status === 403 && (method === 'HEAD' || type === problemType('permission-missing'))
      expect(isRefused, route).toBe(!allowed[permission].includes(sender))
      expect(status, route).toBeLessThan(500)
      expect(status, route).not.toBe(401)
    }
  })

  test('that is signed asks for presence after the body was found valid', async () => {
    for (const { method, url, signed } of test_.app.routes.filter((route) => route.signed)) {
      const { status, type } = await send(method, url, { authorization: `Bearer ${tokens.get('approver')}` })
      expect(signed).toBe(true)
      expect([400, 422, 403], `${method} ${url} ${type}`).toContain(status)
    }
  })
})
