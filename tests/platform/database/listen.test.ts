import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { realClock } from '../../../src/platform/clock.ts'
import { listen } from '../../../src/platform/database/listen.ts'
import { runAct } from '../../../src/platform/gate.ts'
import { silentLog } from '../../../src/platform/log.ts'
import { openTestDatabase } from '../../support/database.ts'

let opened: Awaited<ReturnType<typeof openTestDatabase>>
beforeAll(async () => {
  opened = await openTestDatabase(realClock)
})
afterAll(() => opened.close())

describe('listening', () => {
  test('an act is heard with the sites it touched; a lost connection comes back and asks to look', async () => {
    const { database, urls } = opened
    const heard: (string | undefined)[] = []
    const listener = listen({
      url: urls.serviceUrl,
      channel: 'gate',
      log: silentLog,
      onNotice: (payload) => heard.push(payload),
    })
    try {
      await expect.poll(() => heard).toEqual([undefined])
      await runAct(database, async (act) => {
        await act.openSite('LEEDS')
        await act.openSite('OSAKA')
        act.touch('site', 'x', ['OSAKA', 'LEEDS'])
      })
      await runAct(database, async (act) => act.touch('rules', 'electric-strength', 'all'))
      await runAct(database, async () => undefined)
      await expect.poll(() => heard).toEqual([undefined, 'LEEDS,OSAKA', '*'])
      const ended = await database.sql.query(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'limitkeep listen' AND datname = current_database()",
      )
      expect(ended).toHaveLength(1)
      await expect.poll(() => heard, { timeout: 5_000 }).toEqual([undefined, 'LEEDS,OSAKA', '*', undefined])
      await runAct(database, async (act) => act.touch('station', 'LEEDS-3', ['LEEDS']))
      await expect.poll(() => heard.at(-1)).toBe('LEEDS')
    } finally {
      await listener.stop()
    }
    await expect
      .poll(() =>
        database.sql.query(
          "SELECT 1 FROM pg_stat_activity WHERE application_name = 'limitkeep listen' AND datname = current_database()",
        ),
      )
      .toEqual([])
  })

  test('stops while the server cannot be reached', async () => {
    const warned: object[] = []
    const listener = listen({
      url: 'postgresql://a:b@127.0.0.1:1/none',
      channel: 'gate',
      log: { ...silentLog, warn: (fields) => warned.push(fields) },
      onNotice: () => undefined,
    })
    await expect.poll(() => warned.length).toBeGreaterThan(1)
    await listener.stop()
  })
})
