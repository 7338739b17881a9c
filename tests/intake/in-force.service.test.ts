import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { extractorStrength } from '../support/aldermoor.ts'
import { instant } from '../support/clock.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, expected } from '../support/service.ts'

/**
 * Which revision a start finds, to the millisecond (trade case T31): revision 8 follows 7 at 10:00, and from 12:00 on a
 * tightened rule blocks it.
 */
const CHANGE = instant('2026-03-16T10:00:00.000Z')
const BLOCK = instant('2026-03-16T12:00:00.000Z')
const SECOND = 1_000

let line: Line
let digest8: string

beforeAll(async () => {
  line = await openLine({ still: true })
  digest8 = (await line.approve(8, iso(CHANGE))).body.digest
  const parts = { programs: ['5', '6'], revision: 8, revisionDigest: digest8 }
  expected(await line.program('PG-0193', parts), 201)
})
afterAll(() => line.service.close())

const cite7 = () => {}
const cite8 = (wire: Wire) => {
  Object.assign(wire, { revision: 8, revisionDigest: digest8, programming: 'PG-0193' })
}

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)

/** Sends a run that started at an instant, a minute after its end; the station's clock may be off. */
async function started(startedAt: number, cite: (wire: Wire) => void, skewMs = 0): Promise<Answer> {
  line.setClock(Math.max(line.now(), startedAt + skewMs + 60 * SECOND))
  return line.send(line.upload(cite, { startedAt, sentAt: line.now() - skewMs }))
}

describe('the change from one revision to the next', () => {
  test('a start one millisecond before belongs to the old one', async () => {
    const old = await started(CHANGE - 1, cite7)
    expect([old.status, old.body.verdict]).toEqual([201, 'pass'])
    const early = await started(CHANGE - 1, cite8)
    expect([early.status, codesOf(early)]).toEqual([422, ['revision-not-yet-in-force']])
    expect(early.body.codes[0]).toMatchObject({
      pointer: '#/revision',
      facts: { plan: 'ex36-final', revision: '8', inForceFrom: iso(CHANGE) },
      action: expect.stringContaining('was not in force yet'),
    })
  })

  test('a start at the very instant belongs to the new one', async () => {
    const stale = await started(CHANGE, cite7)
    expect([stale.status, codesOf(stale)]).toEqual([422, ['revision-stale']])
    expect(stale.body).toMatchObject({
      type: 'urn:limitkeep:problem:upload-rejected',
      outcome: 'rejected',
      standing: 'rejected',
      verdict: null,
      evidence: null,
      attempt: null,
      release: null,
      startedAtUsed: iso(CHANGE),
    })
    // The one to test by instead, for each variant.
    expect(stale.body.inForce).toEqual([
      { variant: 'EX36-3M', plan: 'ex36-final', revision: 8, revisionDigest: digest8 },
      { variant: 'EX36-5M', plan: 'ex36-final', revision: 8, revisionDigest: digest8 },
    ])
    const next = await started(CHANGE, cite8)
    expect([next.status, next.body.judgedBy.revision]).toEqual([201, 8])
  })

  test('a start finer than the millisecond is cut off, not rounded up', async () => {
    line.setClock(CHANGE + 120 * SECOND)
    const wire = line.upload(cite7, { startedAt: CHANGE - 1 })
    wire.startedAt = '2026-03-16T09:59:59.999999999Z'
    expect((await line.send(wire)).status).toBe(201)
  })

  test('how late an upload arrives makes no difference', async () => {
    line.setClock(CHANGE + 30 * 60 * SECOND)
    expect((await line.send(line.upload(cite7, { startedAt: CHANGE - 20 * 60 * SECOND }))).status).toBe(201)
  })

  test('the start as sent and as corrected must find the same revision, else the run is held', async () => {
    const held = await started(CHANGE - 30 * SECOND, cite7, 60 * SECOND)
    expect([held.status, codesOf(held)]).toEqual([202, ['start-uncertain']])
    expect(held.body).toMatchObject({ outcome: 'held', verdict: 'pass', evidence: 'none' })
    expect(held.body.startedAtUsed).toBe(iso(CHANGE + 30 * SECOND))
    expect(held.body.codes[0].facts.about).toBe('revision')
    // Both before, or both after, and all is clear again.
    const before = await started(CHANGE - 60 * SECOND - 1, cite7, 60 * SECOND)
    expect([before.status, before.body.startedAtUsed]).toEqual([201, iso(CHANGE - 1)])
    const after = await started(CHANGE, cite7, 60 * SECOND)
    expect(codesOf(after)).toEqual(['revision-stale'])
    // A clock that runs ahead: as sent it is the new one's, as corrected the old one's.
    const ahead = await started(CHANGE + 10 * SECOND, cite7, -30 * SECOND)
    expect(codesOf(ahead)).toEqual(['start-uncertain'])
  })
})

describe('the skew of a station clock', () => {
  const at = CHANGE + 30 * 60 * SECOND
  test.each([
    [2_000, 201, []],
    [-2_000, 201, []],
    [2_001, 201, []],
    [-2_001, 201, []],
    [120_000, 201, []],
    [-120_000, 201, []],
    [120_001, 202, ['clock-skew']],
    [-120_001, 202, ['clock-skew']],
  ])('%i ms is answered %i', async (skewMs, status, codes) => {
    const answer = await started(at, cite8, skewMs)
    expect([answer.status, codesOf(answer)]).toEqual([status, codes])
    const isCorrected = Math.abs(skewMs) > 2_000 && Math.abs(skewMs) <= 120_000
    expect(answer.body).toMatchObject({
      skewMs,
      startedAt: iso(at),
      startedAtUsed: iso(isCorrected ? at + skewMs : at),
      verdict: 'pass',
    })
  })

  test('beyond the tolerance it is asked nothing: not even a stale revision is refused', async () => {
    const answer = await started(CHANGE + 1, cite7, 120_001)
    expect([answer.status, codesOf(answer)]).toEqual([202, ['clock-skew']])
    expect(answer.body.judgedBy.revision).toBe(7)
  })
})

describe('a block', () => {
  test('holds from its own instant on, whichever revision, and from the commit of the publication', async () => {
    const rows = extractorStrength().rows.map((row) => (row.row === 'b4' ? { ...row, then: ['1300', '1', '10'] } : row))
    line.setClock(BLOCK - 3_600 * SECOND)
    const published = await line.publish(extractorStrength({ edition: 3, rows }), iso(BLOCK))
    expect(published.body.effectiveFrom).toBe(iso(BLOCK))

    const before = await started(BLOCK - 1, cite8)
    expect([before.status, codesOf(before)]).toEqual([201, []])
    expect(before.body.judgedBy.editions).toContain('extractor-strength/2')
    const blocked = await started(BLOCK, cite8)
    expect([blocked.status, codesOf(blocked)]).toEqual([422, ['revision-blocked']])
    expect(blocked.body.codes[0].facts).toMatchObject({ blockedFrom: iso(BLOCK) })
    expect((await line.analyst.get('/v1/plans/ex36-final/revisions/8/blocks')).body).toMatchObject({
      items: [{ from: iso(BLOCK), until: null }],
    })
    // A stale revision is told as stale; whether it would be blocked besides is not asked of it.
    expect(codesOf(await started(BLOCK, cite7))).toEqual(['revision-stale'])
  })

  test('found by one of two possible starts holds the run', async () => {
    const held = await started(BLOCK - 30 * SECOND, cite8, 60 * SECOND)
    expect([held.status, codesOf(held)]).toEqual([202, ['start-uncertain']])
    expect(held.body.codes[0].facts.about).toBe('block')
  })

  test('is not lifted by a run that was tested before and comes late', async () => {
    line.setClock(BLOCK + 7_200 * SECOND)
    expect((await line.send(line.upload(cite8, { startedAt: BLOCK - 2 * 3_600 * SECOND }))).status).toBe(201)
    expect((await line.send(line.upload(cite8))).status).toBe(422)
  })
})

describe('a withdrawal', () => {
  test('ends a revision from its commit on and refuses nothing tested before', async () => {
    const digest9 = (
      await line.approve(9, 'at-once', (content) => {
        const strength = content.steps[1]
        Object.assign(strength.testVoltage, { set: '1350', least: '1300', most: '1375' })
        strength.limitUpper.value = '3.2'
      })
    ).body.digest
    expected(await line.program('PG-0194', { programs: ['7', '8'], revision: 9, revisionDigest: digest9 }), 201)
    line.setClock(line.now() + 3_600 * SECOND)
    const cite9 = (wire: Wire) => {
      Object.assign(wire, { revision: 9, revisionDigest: digest9, programming: 'PG-0194' })
      wire.steps[1].measurements[0].testVoltage.value = '1351'
    }
    const withdrawnAt = line.now()
    const path = '/v1/plans/ex36-final/revisions/9/withdrawal'
    expected(await line.approver.post(path, { reason: 'the lead was drawn wrongly' }), 200)
    expect((await started(withdrawnAt, cite9)).status).toBe(201)
    const stale = await started(withdrawnAt + 1, cite9)
    expect([stale.status, codesOf(stale)]).toEqual([422, ['revision-stale']])
    expect(stale.body.inForce).toEqual([])
  })
})
