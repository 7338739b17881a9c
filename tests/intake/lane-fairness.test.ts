import { expect, test } from 'vitest'
import { createLane } from '../../src/intake/acts-lane.ts'
import type { IntakeCommit, IntakePort } from '../../src/intake/port.ts'
import { readUpload } from '../../src/intake/read-upload.ts'
import { type Fact, type FactKey, type Facts, withFacts } from '../../src/judging/facts.ts'
import { idsFrom } from '../../src/platform/ids.ts'
import { silentLog } from '../../src/platform/log.ts'
import { bytesOf } from './example.ts'

/**
 * Sites share the commits in turn, whatever the length of their queues (architecture 3). No database: commits are let
 * through one by one.
 */

const NOW = Date.parse('2026-03-16T09:00:00.000Z')

/** Of every site and key, and of nothing else: what comes of the uploads is no matter here. */
function factsWith(facts: Facts, needs: readonly FactKey[]): Facts {
  return withFacts(
    facts,
    needs.map((need): [FactKey, Fact | null] => {
      const [kind = '', key = ''] = need.split('/')
      if (kind === 'site') return [need, { kind, site: key, timeZone: 'UTC', openedAt: 0 }]
      if (kind === 'key') return [need, { kind, key, revokedAt: null, stations: [] }]
      return [need, null]
    }),
  )
}

/** A port whose commits wait to be let through; `begun` names the site of each in the order in which they began. */
function steppedPort() {
  const begun: string[] = []
  const waiting: (() => void)[] = []
  const commit: IntakeCommit = {
    shareGate: async () => ({ version: 1, rulesVersion: 0, at: NOW, databaseAt: NOW }),
    changesSince: async () => [],
    loadFacts: async (facts, needs) => factsWith(facts, needs),
    takeKeys: async () => [],
    presentUploads: async () => new Set(),
    lockUnits: async () => new Map(),
    takePermits: async (uses) => uses.map(() => false),
    append: ({ entry }) => {
      begun.push(entry.site)
      return new Promise((resolve) => waiting.push(resolve))
    },
  }
  const port: IntakePort = {
    ensureMonths: async () => {},
    ensureChecked: async () => {},
    inCommit: (work) => work(commit),
    epoch: () => 0,
  }
  return { port, begun, letOneThrough: () => waiting.shift()?.() }
}

/** Lets everything that waits for no commit happen. */
const settle = () => new Promise((resolve) => setImmediate(resolve))

// So large that each fills a commit of its own.
const LARGE = 'x'.repeat(700_000)

test('two sites that never rest do not starve a third', async () => {
  const { port, begun, letOneThrough } = steppedPort()
  const ids = idsFrom()
  const failed: unknown[] = []
  const keepFailed = async (_: unknown, error: unknown) => void failed.push(error)
  const lane = createLane({ port, ids, log: silentLog, keepFailed })
  let made = 0
  const submit = (site: string) => {
    made += 1
    const raw = bytesOf({ station: `${site}-F1`, uploadKey: `${site}:${made}`, surplus: LARGE })
    const read = readUpload(raw)
    if (read.kind === 'unreadable') throw new Error(read.message)
    const actor = { kind: 'station', key: `k-${site}`, site, stations: [`${site}-F1`] } as const
    return lane.submit({ actor, read, raw, receivedAt: NOW, runId: ids.mint(NOW) })
  }
  const sent = ['leeds', 'osaka'].flatMap((site) => Array.from({ length: 12 }, () => submit(site)))
  await settle()
  // The busy two have all the commits there are.
  expect([...begun].sort()).toEqual(['leeds', 'leeds', 'osaka', 'osaka'])
  sent.push(submit('york'))
  for (let count = 0; count < sent.length; count += 1) {
    letOneThrough()
    await settle()
  }
  const results = await Promise.all(sent)
  expect(results.map(({ kind }) => kind)).toEqual(sent.map(() => 'stored'))
  expect(failed).toEqual([])
  // Its turn came before either of the others had a second one after it had asked.
  expect(begun.slice(4, 7)).toContain('york')
})
