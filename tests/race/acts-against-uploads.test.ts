import { setTimeout as pause } from 'node:timers/promises'
import { afterEach, beforeEach, describe, expect, test } from 'vitest'
import type { IntakePort } from '../../src/intake/port.ts'
import { realClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { Problem } from '../../src/platform/problems.ts'
import { openTestDatabase } from '../support/database.ts'
import {
  approve,
  buildFactory,
  type KnownRevision,
  type ProductName,
  products,
  publish,
  type Station,
  withdraw,
} from './factory.ts'
import { readAccepted, readHistory, standingOf, violations } from './oracle.ts'
import { type Answered, type Process, startProcess, upload, withoutGate } from './uploader.ts'

/**
 * Publications that tighten and loosen, at once and shortly ahead, approvals and withdrawals race against uploads from
 * stations that know what they once heard. Afterwards every answer is compared with what the history alone says.
 */

let opened: Awaited<ReturnType<typeof openTestDatabase>>
beforeEach(async () => {
  opened = await openTestDatabase(realClock, { poolMax: 6 })
})
afterEach(() => opened.close())

const TIME_MAX_MS = 60_000
/** A race goes on until it was one. */
interface Enough {
  readonly accepted: number
  readonly blocked: number
  readonly stale: number
  readonly redecided: number
  readonly acts: number
}
const ENOUGH: Enough = { accepted: 150, blocked: 10, stale: 10, redecided: 10, acts: 40 }
/** Without a gate nothing is refused in time, and nothing decided again. */
const ENOUGH_TO_FAIL: Enough = { accepted: 150, blocked: 0, stale: 0, redecided: 0, acts: 30 }

interface Told {
  readonly answers: Answered[]
  readonly acts: { published: number; approved: number; withdrawn: number; refused: string[] }
  redecided: number
}

async function race(
  database: Database,
  enough: Enough,
  wrap: (port: IntakePort, database: Database) => IntakePort,
): Promise<Told> {
  const { stations, digests } = await buildFactory(database)
  const known = new Map<ProductName, KnownRevision[]>(products.map((product) => [product, []]))
  const told: Told = { answers: [], acts: { published: 0, approved: 0, withdrawn: 0, refused: [] }, redecided: 0 }
  const processes = await Promise.all([1, 2, 3].map(() => startProcess(opened.urls.serviceUrl, wrap)))
  const endAt = Date.now() + TIME_MAX_MS
  const isOver = () => {
    const count = (code: string) => told.answers.filter(({ codes }) => codes.includes(code)).length
    const { published, approved, withdrawn } = told.acts
    const isEnough =
      told.answers.filter(({ outcome }) => outcome === 'accepted').length >= enough.accepted &&
      count('revision-blocked') >= enough.blocked &&
      count('revision-stale') >= enough.stale &&
      processes.reduce((sum, one) => sum + one.redecided(), 0) >= enough.redecided &&
      published + approved + withdrawn >= enough.acts
    return isEnough || Date.now() > endAt
  }
  try {
    await Promise.all([
      keepPublishing(database, told, isOver),
      ...products.map((product) =>
        keepApproving(database, { product, productDigest: digests.get(product) ?? '', known }, told, isOver),
      ),
      keepWithdrawing(database, known, told, isOver),
      ...processes.flatMap((one, index) =>
        stations.map((station) => keepUploading(one, { station, first: index * 1_000_000, known }, told, isOver)),
      ),
    ])
    told.redecided = processes.reduce((sum, one) => sum + one.redecided(), 0)
  } finally {
    await Promise.all(processes.map((one) => one.stop()))
  }
  return told
}

async function keepPublishing(database: Database, told: Told, isOver: () => boolean): Promise<void> {
  for (let edition = 1; !isOver(); edition += 1) {
    const aheadMs = pick([0, 0, 60, 120, 250])
    await unlessRefused(told, async () => {
      await publish(database, edition, edition % 2 === 0 ? 10 : 25, aheadMs)
      told.acts.published += 1
    })
    await pause(pick([5, 40, 90]))
  }
}

async function keepApproving(
  database: Database,
  asked: { product: ProductName; productDigest: string; known: Map<ProductName, KnownRevision[]> },
  told: Told,
  isOver: () => boolean,
): Promise<void> {
  for (let revision = 1; !isOver(); revision += 1) {
    await unlessRefused(told, async () => {
      // Now one that a tightened rule blocks, now one that it does not.
      const approved = await approve(database, {
        ...asked,
        revision,
        least: pick([10, 30]),
        aheadMs: pick([0, 0, 80, 200]),
      })
      asked.known.get(asked.product)?.push(approved)
      told.acts.approved += 1
    })
    await pause(pick([20, 60, 120]))
  }
}

async function keepWithdrawing(
  database: Database,
  known: ReadonlyMap<ProductName, readonly KnownRevision[]>,
  told: Told,
  isOver: () => boolean,
): Promise<void> {
  while (!isOver()) {
    await pause(150)
    const revision = known.get(pick(products))?.at(-1)
    if (revision === undefined) continue
    await unlessRefused(told, async () => {
      await withdraw(database, revision)
      told.acts.withdrawn += 1
    })
  }
}

async function keepUploading(
  process: Process,
  {
    station,
    first,
    known,
  }: { station: Station; first: number; known: ReadonlyMap<ProductName, readonly KnownRevision[]> },
  told: Told,
  isOver: () => boolean,
): Promise<void> {
  for (let number = first; !isOver(); number += 1) {
    const heard = known.get(pick(products)) ?? []
    const revision = heard.at(pick([-1, -1, -1, -2]))
    if (revision === undefined) {
      await pause(5)
      continue
    }
    const startedAt = Date.now() - pick([5, 10, 30, 100])
    const answered = await upload(process, station, revision, { number, startedAt })
    if (answered !== undefined) told.answers.push(answered)
  }
}

/** An act that the state of things refuses is part of the race; anything else that is thrown ends it. */
async function unlessRefused(told: Told, work: () => Promise<void>): Promise<void> {
  try {
    await work()
  } catch (error) {
    if (!(error instanceof Problem) || error.status >= 500) throw error
    told.acts.refused.push(error.key)
  }
}

function pick<T>(from: readonly T[]): T {
  const index = Math.floor(Math.random() * from.length)
  return from[index] as T
}

describe('acts against uploads', () => {
  test('no run is accepted against a revision that is stale, blocked, not in force or not checked with what was in effect', async () => {
    const { database } = opened
    const told = await race(database, ENOUGH, (port) => port)
    const history = await readHistory(database)
    const accepted = await readAccepted(database)

    expect(violations(history, accepted)).toEqual([])
    // Acknowledged means stored, and nothing else is.
    const acknowledged = told.answers.filter(({ outcome }) => outcome === 'accepted')
    expect(accepted.length).toBe(acknowledged.length)

    // Nor was a good run refused: every refusal says what the history says.
    const wrongly = told.answers.flatMap((answer) => {
      const standing = standingOf(history, answer)
      const isTrue =
        (!answer.codes.includes('revision-blocked') || standing === 'blocked') &&
        (!answer.codes.includes('revision-stale') || standing === 'stale' || standing === 'never') &&
        // Before the act that empties it, such a revision is told as one that is to come; afterwards as ended.
        (!answer.codes.includes('revision-not-yet-in-force') || standing === 'not-yet' || standing === 'never')
      return isTrue ? [] : [`${JSON.stringify(answer)} is ${standing}`]
    })
    expect(wrongly).toEqual([])

    // And it was a race.
    const count = (code: string) => told.answers.filter(({ codes }) => codes.includes(code)).length
    expect(acknowledged.length).toBeGreaterThanOrEqual(ENOUGH.accepted)
    expect(count('revision-blocked')).toBeGreaterThanOrEqual(ENOUGH.blocked)
    expect(count('revision-stale')).toBeGreaterThanOrEqual(ENOUGH.stale)
    expect(told.redecided).toBeGreaterThanOrEqual(ENOUGH.redecided)
    expect(told.acts.published + told.acts.approved + told.acts.withdrawn).toBeGreaterThanOrEqual(ENOUGH.acts)
    expect(told.acts.withdrawn).toBeGreaterThan(0)

    // The comparison would have seen it: a run that was refused, had it been accepted.
    const slipped = told.answers
      .filter(({ codes }) => codes.includes('revision-blocked') || codes.includes('revision-stale'))
      .map((answer) => ({ ...answer, runId: 'slipped', rulesVersion: Number.MAX_SAFE_INTEGER, isChecked: true }))
    expect(violations(history, slipped)).toHaveLength(slipped.length)
  }, 120_000)

  test('without the gate the same race lets runs through, so the gate is what holds them', async () => {
    const { database } = opened
    await race(database, ENOUGH_TO_FAIL, withoutGate)
    expect(violations(await readHistory(database), await readAccepted(database)).length).toBeGreaterThan(0)
  }, 120_000)
})
