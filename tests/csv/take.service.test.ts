import { afterAll, beforeAll, expect, test } from 'vitest'
import type { MachineActor } from '../../src/access/words.ts'
import { createFiles } from '../../src/csv/acts-files.ts'
import type { BatchBody, Batches } from '../../src/intake/acts-batch.ts'
import { receivedClock } from '../../src/platform/clock.ts'
import type { Line } from '../support/line.ts'
import { expected } from '../support/service.ts'
import { confirmProfile, fileOf, openFileLine, profileContent } from './station-files.ts'

/** What happens to the house while a file is being taken. */
let line: Line
let actor: MachineActor

beforeAll(async () => {
  line = await openFileLine()
  await confirmProfile(line, profileContent(line, 1))
  const [row] = await line.service.database.sql.query<{ key: string }>(
    "SELECT key FROM governance.access_key WHERE kind = 'station'",
  )
  if (row === undefined) throw new Error('the station has no key')
  actor = { kind: 'station', key: row.key, site: 'leeds', stations: ['LDS-F2'] }
})
afterAll(() => line.service.close())

const sent = { station: 'LDS-F2', profile: undefined, sentAt: undefined, encoding: undefined }
const bodyOf = (text: string): BatchBody => {
  const parts = [Buffer.from(text)]
  return { next: async () => parts.shift(), end: { reason: 'complete', detail: null }, stop: () => {} }
}
const filesWith = async (meanwhile: () => Promise<unknown>) => {
  const { database, clock } = line.service
  const taken: Buffer[] = []
  const batches: Batches = {
    async begin(_, body) {
      await meanwhile()
      const receivedAt = line.now()
      const done = (async () => {
        for (let part = await body.next(); part !== undefined; part = await body.next()) taken.push(part)
      })()
      return { batch: { site: 'leeds', batchId: database.ids.mint(receivedAt), receivedAt, sender: actor.key }, done }
    },
    drain: async () => {},
  }
  const received = receivedClock(clock)
  received.observe(line.now())
  return { files: createFiles({ database, received, batches }), taken }
}
const countOfFiles = async () => {
  const [row] = await line.service.database.sql.query<{ count: number }>('SELECT count(*) AS count FROM intake.files')
  return row?.count
}

test('a profile that is withdrawn before the file is kept takes no row of it', async () => {
  const reason = { reason: 'the unit of a column is wrong' }
  const { files, taken } = await filesWith(async () =>
    expected(await line.author.post('/v1/stations/LDS-F2/profiles/1/withdrawal', reason), 200),
  )
  const before = await countOfFiles()
  const file = fileOf([Array.from({ length: fileOf([]).split(';').length }, () => '1')])
  await expect(files.take(actor, sent, bodyOf(fileOf([])))).rejects.toMatchObject({ key: 'overloaded' })
  expect(taken).toEqual([])
  expect(await countOfFiles()).toBe(before)
  // Sent again, as it is told to be, it is refused by what holds now, and kept.
  await expect(files.take(actor, sent, bodyOf(file))).rejects.toMatchObject({ key: 'file-refused' })
  expect(await countOfFiles()).toBe((before ?? 0) + 1)
})

test('a third file is not held beside two, and comes to its turn when one is over', async () => {
  const { files } = await filesWith(async () => {})
  const ends: (() => void)[] = []
  const hanging = (): BatchBody => {
    let end: BatchBody['end']
    let wake = () => {}
    const ended = new Promise<undefined>((resolve) => {
      wake = () => resolve(undefined)
    })
    ends.push(() => {
      end = { reason: 'client-gone', detail: null }
      wake()
    })
    return {
      next: () => ended,
      stop: () => {},
      get end() {
        return end
      },
    }
  }
  const held = [files.take(actor, sent, hanging()), files.take(actor, sent, hanging())]
  await expect(files.take(actor, sent, bodyOf(''))).rejects.toMatchObject({ key: 'overloaded' })
  for (const end of ends) end()
  for (const one of held) await expect(one).rejects.toMatchObject({ key: 'file-refused' })
  await expect(files.take(actor, sent, bodyOf(''))).rejects.toMatchObject({ key: 'file-refused' })
})
