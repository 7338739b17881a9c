import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { extractorStrength } from '../support/aldermoor.ts'
import { iso, type Line, openLine } from '../support/line.ts'
import { type Answer, expected } from '../support/service.ts'

/** A withdrawal that reaches back: it takes worth away, and refuses nothing that was tested before it was signed. */

const MINUTE = 60_000
let line: Line

beforeAll(async () => {
  line = await openLine({ still: true })
})
afterAll(() => line.service.close())

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)
const release = async (serial: string) =>
  expected(await line.author.get(`/v1/units/EX36/${serial}/release`), 200).body as {
    releasable: boolean
    reasons: { code: string }[]
  }
const reasonsOf = async (serial: string) => (await release(serial)).reasons.map(({ code }) => code)

describe('a revision withdrawn from an instant that has passed', () => {
  test('puts the evidence of what was tested since in doubt, however it came, and no other', async () => {
    const started = line.now()
    line.setClock(started + 10 * MINUTE)
    const [before, since, late] = [1, 5, 6].map((minutes) =>
      line.upload(() => {}, { startedAt: started + minutes * MINUTE }),
    )
    expect((await line.send(before)).status).toBe(201)
    const answered = await line.send(since)
    expect([answered.status, answered.body.evidence]).toEqual([201, 'provisional'])
    expect((await release(since.serial)).releasable).toBe(true)

    const from = started + 3 * MINUTE
    const withdrawal = { reason: 'the limit was copied wrongly', from: iso(from) }
    const path = '/v1/plans/ex36-final/revisions/7/withdrawal'
    const withdrawn = expected(await line.author.post(path, withdrawal), 200).body
    expect(withdrawn).toMatchObject({ state: 'withdrawn', withdrawnFrom: iso(from) })
    expect(withdrawn.inForce[0].until).toBe(iso(line.now() + 1))

    expect(await reasonsOf(since.serial)).toEqual(['evidence-suspect'])
    expect((await release(before.serial)).releasable).toBe(true)
    // Tested before anybody knew, and sent only now: it counts, and its worth is in doubt at once.
    const came = await line.send({ ...late, sentAt: iso(line.now()) })
    expect([came.status, came.body.verdict, came.body.evidence]).toEqual([201, 'pass', 'suspect'])
    expect(await reasonsOf(late.serial)).toEqual(['evidence-suspect'])
    // The verdict of the first stays as it was.
    expect((await line.author.get(`/v1/runs/${answered.body.runId}`)).body).toMatchObject({
      outcome: 'accepted',
      verdict: 'pass',
      evidence: 'suspect',
    })

    // Who must decide is told which units these are, and which of them have left.
    const shipped = { eventKey: 'SHP-1', site: 'leeds', event: 'shipped', at: iso(line.now()) }
    expected(await line.author.post(`/v1/units/EX36/${since.serial}/events`, shipped), 201)
    const doubted = '/v1/plans/ex36-final/revisions/7/affected'
    const affected = expected(await line.analyst.get(doubted), 200).body
    expect(affected.counts).toEqual({
      runs: 2,
      units: 2,
      unitsByShipState: { 'in-plant': 1, shipped: 1, returned: 0, scrapped: 0 },
    })
    expect(affected.items).toMatchObject([
      { serial: since.serial, verdict: 'pass', shipState: 'shipped' },
      { serial: late.serial, verdict: 'pass', shipState: 'in-plant' },
    ])
    expect(affected.items[0].kinds).toEqual([
      'electric-strength-ac',
      'insulation-resistance',
      'protective-bonding',
      'touch-current',
    ])
    const only = expected(await line.analyst.get(`${doubted}?shipState=shipped&limit=1`), 200).body
    expect([only.items.length, only.nextCursor]).toEqual([1, null])
    expect((await line.analyst.get('/v1/plans/ex36-final/revisions/99/affected')).status).toBe(404)

    line.setClock(line.now() + 3 * MINUTE)
    const after = await line.send(line.upload(() => {}, { startedAt: line.now() - 2 * MINUTE }))
    expect([after.status, codesOf(after)]).toEqual([422, ['revision-stale']])
  })
})

describe('a scheduled change', () => {
  test('a revision withdrawn from Monday tests until Monday, a millisecond before it still, and not at it', async () => {
    const { digest } = (await line.approve(8)).body
    expected(await line.program('PG-0193', { programs: ['5', '6'], revision: 8, revisionDigest: digest }), 201)
    const cite = (wire: { revision: number; revisionDigest: string; programming: string }) => {
      Object.assign(wire, { revision: 8, revisionDigest: digest, programming: 'PG-0193' })
    }
    const monday = line.now() + 60 * MINUTE
    const withdrawal = { reason: 'replaced by a plan in two steps', from: iso(monday) }
    expected(await line.author.post('/v1/plans/ex36-final/revisions/8/withdrawal', withdrawal), 200)
    line.setClock(monday + 2 * MINUTE)
    const last = await line.send(line.upload(cite, { startedAt: monday - 1 }))
    expect([last.status, last.body.evidence]).toEqual([201, 'provisional'])
    const affected = expected(await line.analyst.get('/v1/plans/ex36-final/revisions/8/affected'), 200).body
    expect([affected.counts.runs, affected.items]).toEqual([0, []])
    const first = await line.send(line.upload(cite, { startedAt: monday }))
    expect([first.status, codesOf(first)]).toEqual([422, ['revision-stale']])
  })

  test('a block is lifted for tests from then on, and for none before', async () => {
    const { digest } = (await line.approve(9)).body
    expected(await line.program('PG-0194', { programs: ['7', '8'], revision: 9, revisionDigest: digest }), 201)
    const cite = (wire: { revision: number; revisionDigest: string; programming: string }) => {
      Object.assign(wire, { revision: 9, revisionDigest: digest, programming: 'PG-0194' })
    }
    const strict = extractorStrength({ edition: 3 })
    const rows = strict.rows.map((row) => ({ ...row, then: ['4000', ...row.then.slice(1)] }))
    await line.publish({ ...strict, rows })
    line.setClock(line.now() + 3 * MINUTE)
    const blockedAt = line.now() - 2 * MINUTE
    const blocked = await line.send(line.upload(cite, { startedAt: blockedAt }))
    expect([blocked.status, codesOf(blocked)]).toEqual([422, ['revision-blocked']])
    await line.publish(extractorStrength({ edition: 4 }))

    const listed = expected(await line.analyst.get('/v1/blocks?plan=ex36-final'), 200).body
    // The sweep does not run here; what is listed is of the newest check there is.
    expect(listed.items).toMatchObject([{ plan: 'ex36-final', revision: 9, digest, sites: ['leeds'], until: null }])
    const lifting = {
      meaning: 'looked at again',
      reason: 'edition 4 asks for what edition 2 asked for',
      revisions: [{ plan: 'ex36-final', revision: 9, digest }],
    }
    expect((await line.author.sign('/v1/blocks/lifting', lifting)).status).toBe(403)
    const lifted = expected(await line.approver.sign('/v1/blocks/lifting', lifting), 200).body
    expect(lifted.revisions).toMatchObject([{ lifted: true, because: null }])

    line.setClock(line.now() + 2 * MINUTE)
    const open = expected(await line.analyst.get('/v1/blocks'), 200).body.items
    expect(open).toEqual([])
    const from = Date.parse(lifted.from)
    const again = await line.send(line.upload(cite, { startedAt: from }))
    expect([again.status, again.body.verdict]).toEqual([201, 'pass'])
    const earlier = await line.send(line.upload(cite, { startedAt: from - 1 }))
    expect([earlier.status, codesOf(earlier)]).toEqual([422, ['revision-blocked']])
  })
})
