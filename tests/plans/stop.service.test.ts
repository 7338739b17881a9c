import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { submitRevision } from '../../src/plans/acts/draft.ts'
import { checkPageBehind, ensureChecked } from '../../src/plans/acts/ensure-checked.ts'
import { cancelRevision, rejectRevision, withdrawRevision } from '../../src/plans/acts/stop.ts'
import { getRevision } from '../../src/plans/reads.ts'
import type { Revision, RevisionKey } from '../../src/plans/record.ts'
import { readChangesSince } from '../../src/platform/gate.ts'
import { createVersion, submitVersion } from '../../src/products/acts.ts'
import { cancelVersion, rejectVersion } from '../../src/products/acts-stop.ts'
import { getProduct } from '../../src/products/reads.ts'
import { cancelEdition } from '../../src/rules/acts-stop.ts'
import { approver, author, type Line, openWorks, refusalOf, type Works } from './works.ts'

let works: Works
let line: Line
let R1: RevisionKey
let R2: RevisionKey
let R3: RevisionKey
beforeAll(async () => {
  works = await openWorks()
})
afterAll(() => works.close())
beforeEach(async () => {
  line = await works.line()
  R1 = line.key(1)
  R2 = line.key(2)
  R3 = line.key(3)
})

const services = () => ({ database: works.database })
const reason = 'the limit was copied wrongly'
const stale = `sha256:${'0'.repeat(64)}`
const cancel = (key: RevisionKey, digest?: string) => cancelRevision(services(), author, key, { reason, digest })
const withdraw = (key: RevisionKey, from?: number) =>
  withdrawRevision(services(), author, key, { reason, from: from === undefined ? undefined : writeInstant(from) })
/** In milliseconds after the line's start; the same for both variants. */
const spanOf = ({ inForce }: Revision) => {
  const spans = inForce.map(({ from, until }) => {
    const after = (at: string) => Date.parse(at) - line.startedAt
    return `[${after(from)}, ${until === null ? 'on' : after(until)})`
  })
  return [...new Set(spans)].join(' ')
}
const spanNow = async (key: RevisionKey) => spanOf(await getRevision(works.database.sql, key))
const ensure = (...keys: RevisionKey[]) => ensureChecked(works.database, keys)

async function versionAt(site: string): Promise<number> {
  const [row] = await works.database.sql.query<{ version: number }>(
    'SELECT version FROM intake.gate WHERE site_id = $1',
    [site],
  )
  return row?.version ?? -1
}

describe('a rejection', () => {
  test('keeps the content as it was read, for good; other content gets the next number', async () => {
    const { digest } = await line.submitted(R1)
    line.tick()
    const rejected = await rejectRevision(services(), approver, R1, { reason, digest })
    expect(rejected).toMatchObject({
      state: 'rejected',
      digest,
      rejectedBy: approver.person,
      rejectedReason: reason,
      rejectedAt: writeInstant(works.clock.at),
      inForce: [],
    })
    expect((await refusalOf(line.approve(rejected))).key).toBe('state-conflict')
    expect((await refusalOf(submitRevision(services(), author, R1, { digest }))).key).toBe('state-conflict')
    expect((await refusalOf(line.draft(R1))).key).toBe('already-exists')
    expect((await line.approved(R2)).state).toBe('approved')
  })

  test('is bound to the digest that was seen, says why, and is of what is in review', async () => {
    await line.draft(R1)
    expect((await refusalOf(rejectRevision(services(), approver, R1, { reason }))).key).toBe('state-conflict')
    await line.submitted(R2)
    const wrong = await refusalOf(rejectRevision(services(), approver, R2, { reason, digest: stale }))
    expect([wrong.key, wrong.errors?.[0]?.pointer]).toEqual(['digest-stale', '/digest'])
    const blank = await refusalOf(rejectRevision(services(), approver, R2, { reason: '  ' }))
    expect(blank.errors?.[0]?.pointer).toBe('/reason')
    // The author may take it back alike: one person is enough to stop anything.
    expect((await rejectRevision(services(), author, R2, { reason })).state).toBe('rejected')
  })

  test('is no more checked, also where rules change', async () => {
    await line.submitted(R1)
    const { check } = await rejectRevision(services(), approver, R1, { reason })
    await line.publishBond(1, '25')
    while ((await checkPageBehind(works.database)) === 'more');
    await ensure(R1)
    expect((await getRevision(works.database.sql, R1)).check).toEqual(check)
  })
})

describe('a cancellation', () => {
  test('leaves everything as if the approval had never been given', async () => {
    await line.approved(R1)
    await line.approved(R3, line.startedAt + 9_000)
    line.tick()
    const { digest } = await line.approved({ plan: line.plan, revision: 4 }, line.startedAt + 5_000)
    expect(await spanNow(R1)).toBe('[1, 5000)')
    const R4 = line.key(4)
    const before = await versionAt('leeds')
    line.tick()
    expect((await refusalOf(cancel(R4, stale))).key).toBe('digest-stale')
    const cancelled = await cancel(R4, digest)
    expect(cancelled).toMatchObject({ state: 'cancelled', cancelledBy: author.person, cancelledReason: reason })
    expect(spanOf(cancelled)).toBe('[5000, 5000)')
    expect(await spanNow(R1)).toBe('[1, 9000)')
    expect(await spanNow(R3)).toBe('[9000, on)')
    expect(await readChangesSince(works.database.sql, 'leeds', before)).toEqual([
      { kind: 'revision', key: `${line.plan}/1` },
      { kind: 'revision', key: `${line.plan}/4` },
    ])
    await cancel(R3)
    expect(await spanNow(R1)).toBe('[1, on)')
    expect((await refusalOf(cancel(R3))).key).toBe('state-conflict')
  })

  test('gives back to one that was replaced at the same instant', async () => {
    await line.approved(R1)
    line.tick()
    await line.approved(R2, line.startedAt + 5_000)
    line.tick()
    await line.approved(R3, line.startedAt + 5_000)
    expect(await spanNow(R2)).toBe('[5000, 5000)')
    await cancel(R3)
    expect([await spanNow(R1), await spanNow(R2)]).toEqual(['[1, 5000)', '[5000, on)'])
  })

  test('does not give back what another plan took since', async () => {
    await line.approved(R1)
    line.tick()
    await line.approved(R2, line.startedAt + 5_000, { '/sites': ['osaka'] })
    line.tick()
    const other = { plan: `${line.plan}-other`, revision: 1 }
    await line.approved(other, line.startedAt + 7_000)
    await cancel(R2)
    expect(await spanNow(R1)).toBe('[1, 7000)')
    expect(await spanNow(other)).toBe('[7000, on)')
  })

  test('is too late once the instant has come, to the millisecond', async () => {
    await line.approved(R1, line.startedAt + 1_000)
    await line.approved(R2, line.startedAt + 2_000)
    line.tick(1_000)
    expect((await refusalOf(cancel(R1))).detail).toContain('has taken effect')
    line.tick(999)
    expect((await cancel(R2)).state).toBe('cancelled')
    expect(await spanNow(R1)).toBe('[1000, on)')
  })
})

describe('a withdrawal from an instant', () => {
  test('to come leaves it in force until then, checked like any other', async () => {
    await line.approved(R1)
    line.tick(100)
    const withdrawn = await withdraw(R1, line.startedAt + 5_000)
    expect(withdrawn).toMatchObject({ state: 'withdrawn', withdrawnFrom: writeInstant(line.startedAt + 5_000) })
    expect(spanOf(withdrawn)).toBe('[1, 5000)')
    await line.publishBond(1, '25')
    while ((await checkPageBehind(works.database)) === 'more');
    expect(await line.blocks(R1)).toEqual(['[101, on)'])
  })

  test('can be brought forward, and not put off', async () => {
    await line.approved(R1)
    line.tick(100)
    await withdraw(R1, line.startedAt + 5_000)
    expect((await refusalOf(withdraw(R1, line.startedAt + 6_000))).key).toBe('state-conflict')
    expect((await refusalOf(withdraw(R1, line.startedAt + 5_000))).key).toBe('state-conflict')
    expect(spanOf(await withdraw(R1))).toBe('[1, 101)')
    expect((await refusalOf(withdraw(R1))).key).toBe('state-conflict')
  })

  test('that has passed ends it now, and says since when it is in doubt', async () => {
    await line.approved(R1)
    line.tick(1_000)
    const withdrawn = await withdraw(R1, line.startedAt + 200)
    expect(spanOf(withdrawn)).toBe('[1, 1001)')
    expect(withdrawn).toMatchObject({ withdrawnFrom: writeInstant(line.startedAt + 200) })
    // Further back still.
    expect(await withdraw(R1, line.startedAt + 100)).toMatchObject({
      withdrawnFrom: writeInstant(line.startedAt + 100),
    })
  })

  test('that has passed reaches one that has ended since, and none that had ended before', async () => {
    await line.approved(R1)
    line.tick(1_000)
    await line.approved(R2)
    line.tick(1_000)
    expect((await refusalOf(withdraw(R1, line.startedAt + 1_001))).key).toBe('state-conflict')
    const withdrawn = await withdraw(R1, line.startedAt + 500)
    expect([withdrawn.state, spanOf(withdrawn), await spanNow(R2)]).toEqual(['withdrawn', '[1, 1001)', '[1001, on)'])
  })

  test('is bound to the digest that was seen, and an instant is one with an offset', async () => {
    await line.approved(R1)
    const wrong = withdrawRevision(services(), author, R1, { reason, digest: stale })
    expect((await refusalOf(wrong)).key).toBe('digest-stale')
    const local = withdrawRevision(services(), author, R1, { reason, from: '2026-03-16T09:00:00' })
    expect((await refusalOf(local)).errors?.[0]?.pointer).toBe('/from')
  })
})

describe('an edition that is cancelled', () => {
  const bondTable = () => `bond-routine-${line.plan.slice('final-'.length)}`
  const cancelBond = (edition: number, digest?: string) =>
    cancelEdition(services(), author, { table: bondTable(), edition }, { reason, digest })

  test('before its instant blocks nothing, and the rules version rises', async () => {
    await line.approved(R1)
    await line.publishBond(1, '25', line.startedAt + 5_000)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[5000, on)'])
    line.tick()
    expect((await refusalOf(cancelBond(1, stale))).key).toBe('digest-stale')
    const cancelled = await cancelBond(1)
    expect(cancelled).toMatchObject({ state: 'cancelled', cancelledReason: reason, cancelledBy: author.person })
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual([])
    const { check } = await getRevision(works.database.sql, R1)
    expect(check).toMatchObject({ verdict: 'conforms', rulesVersion: (cancelled.rulesVersion ?? 0) + 1 })
    expect((await refusalOf(cancelBond(1))).key).toBe('state-conflict')
  })

  test('at its instant or later is there to stay', async () => {
    await line.publishBond(1, '9', line.startedAt + 1_000)
    line.tick(1_000)
    expect((await refusalOf(cancelBond(1))).key).toBe('state-conflict')
  })

  test('gives the same blocks to a process that read the rules before, and to one that reads them now', async () => {
    await line.approved(R1)
    await line.publishBond(1, '9', line.startedAt + 3_000)
    await line.publishBond(2, '25', line.startedAt + 5_000)
    await ensure(R1)
    await cancelBond(2)
    await line.publishBond(3, '26', line.startedAt + 7_000)
    // This process has compiled edition 2 as published; it must learn that it no longer is.
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[7000, on)'])
  })
})

describe('a product version', () => {
  const content = () => line.productContent({ '/version': 4, '/attributes/liveToEarthCapacitance/value': '8.8' })

  test('that is cancelled before its instant changes nothing, and the one before holds on', async () => {
    await line.approved(R1)
    await line.confirm(content(), line.startedAt + 5_000)
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[5000, on)'])
    line.tick()
    const key = { product: line.product, version: 4 }
    const cancelled = await cancelVersion(services(), author, key, { reason })
    expect(cancelled).toMatchObject({ state: 'cancelled', cancelledReason: reason })
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual([])
    const product = await getProduct(works.database.sql, line.product, line.startedAt + 9_000)
    expect(product.versionInEffect).toBe(3)
  })

  test('that a scheduled revision cites blocks it, once it is cancelled', async () => {
    const productDigest = await line.confirm(line.productContent({ '/version': 4 }), line.startedAt + 5_000)
    const cites = { '/productVersion': 4, '/productDigest': productDigest }
    await line.approved(R1, line.startedAt + 5_000, cites)
    await cancelVersion(services(), author, { product: line.product, version: 4 }, { reason })
    await ensure(R1)
    expect(await line.blocks(R1)).toEqual(['[5000, on)'])
  })

  test('in review can be rejected', async () => {
    const key = { product: line.product, version: 4 }
    await createVersion(services(), author, line.product, { content: content(), changeReason: 'test' })
    const { digest } = await submitVersion(services(), author, key, undefined)
    const rejected = await rejectVersion(services(), approver, key, { reason, digest })
    expect(rejected).toMatchObject({ state: 'rejected', rejectedBy: approver.person, rejectedReason: reason })
  })
})
