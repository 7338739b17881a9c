import { afterAll, beforeAll, expect, test } from 'vitest'
import { type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

const REVISIONS = '/v1/plans/ex36-final/revisions'

let line: Line

beforeAll(async () => {
  line = await openLine({ still: true })
  line.setClock(line.now() + 3_600_000)
})
afterAll(() => line.service.close())

/** Revision 7, in force, accepts leakage up to its limit; the draft moves it. */
async function draft(revision: number, change: (content: Wire) => void): Promise<string> {
  const { content } = expected(await line.author.get(`${REVISIONS}/7`), 200).body
  const moved = structuredClone(content)
  moved.revision = revision
  change(moved)
  return created(await line.author.post(REVISIONS, { content: moved, changeReason: 'limits gone through' })).body.digest
}

const half = ({ steps }: Wire) => {
  steps[1].limitUpper.value = String(Number(steps[1].limitUpper.value) * 1.5)
}
const PATH = '/steps/1/limitUpper/value'
const reason = { path: PATH, reason: 'the new filter has twice the capacitance' }

test('a review tells changes, findings side by side, and the stations that the plan reaches', async () => {
  const digest = await draft(8, half)
  created(await line.send(line.upload()))
  const { body } = expected(await line.analyst.get(`${REVISIONS}/8/review`), 200)
  expect(body).toMatchObject({ plan: 'ex36-final', revision: 8, digest, against: 7, limitReasons: [] })
  expect(body.diff.changes.map(({ path }: Wire) => path)).toEqual([PATH])
  expect(body.reasonNeededFor.map(({ path, changePercent }: Wire) => [path, changePercent])).toEqual([[PATH, '50']])
  expect(body.findings.every(({ change }: Wire) => change === 'same')).toBe(true)
  expect(body.cautions.join(' ')).toContain('High voltage')
  // The other tester there keeps no programs: its settings come with each test.
  const [station, other] = body.reach.stations
  expect(other).toMatchObject({ station: 'LDS-F3', programming: null, toProgram: false, lastUploadAt: null })
  expect(station).toMatchObject({
    station: 'LDS-F2',
    site: 'leeds',
    instrument: 'INS-0031',
    revision: 7,
    programming: 'PG-0192',
    toProgram: true,
  })
  expect(station.lastUploadAt).not.toBeNull()
  expect(body.reach).toMatchObject({ stationCount: 2, assignmentCount: 1, toProgramCount: 1, unseenCount: 1 })
})

test('the graph answers the same', async () => {
  const query = `{ revisionReview(plan: "ex36-final", revision: 8) { against reasonNeededFor { path } findings { change }
    diff { changes { path } } reach { stationCount toProgramCount stations { station toProgram } } } }`
  const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
  const rest = expected(await line.analyst.get(`${REVISIONS}/8/review`), 200).body
  expect(data.revisionReview).toEqual({
    against: 7,
    reasonNeededFor: [{ path: PATH }],
    findings: rest.findings.map(({ change }: Wire) => ({ change: change.toUpperCase() })),
    diff: { changes: [{ path: PATH }] },
    reach: {
      stationCount: 2,
      toProgramCount: 1,
      stations: [
        { station: 'LDS-F2', toProgram: true },
        { station: 'LDS-F3', toProgram: false },
      ],
    },
  })
})

test('a limit that moves far is submitted with a reason for it, and for nothing else', async () => {
  const submission = `${REVISIONS}/8/submission`
  const missing = expected(await line.author.post(submission, undefined), 422).body
  expect(missing.type).toBe('urn:limitkeep:problem:limit-reason-missing')
  expect(missing.errors).toEqual([
    { in: 'body', pointer: '#/limitReasons', code: 'field-missing', detail: expect.stringContaining(PATH) },
  ])
  const others = { path: '/steps/0/limitUpper/value', reason: 'it says so' }
  const wrong = expected(await line.author.post(submission, { limitReasons: [reason, others, reason] }), 422).body
  expect(wrong.errors.map(({ pointer }: Wire) => pointer)).toEqual(['#/limitReasons/1/path', '#/limitReasons/2/path'])
  expect(expected(await line.author.get(`${REVISIONS}/8`), 200).body.state).toBe('draft')

  expect(expected(await line.author.post(submission, { limitReasons: [reason] }), 200).body.state).toBe('in-review')
  expect(expected(await line.analyst.get(`${REVISIONS}/8/review`), 200).body.limitReasons).toEqual([reason])
})

test('a draft that has moved on is refused as such, whatever the reasons', async () => {
  const digest = await draft(9, half)
  const stale = `sha256:${'0'.repeat(64)}`
  expect(expected(await line.author.post(`${REVISIONS}/9/submission`, { digest: stale }), 409).body.type).toBe(
    'urn:limitkeep:problem:digest-stale',
  )
  expected(await line.author.post(`${REVISIONS}/9/submission`, { digest, limitReasons: [reason] }), 200)
})

test('what is compared with the one in force may be compared with any other', async () => {
  const { body } = expected(await line.analyst.get(`${REVISIONS}/9/review?against=8`), 200)
  expect([body.against, body.diff.changes, body.reasonNeededFor]).toEqual([8, [], []])
  expected(await line.analyst.get(`${REVISIONS}/9/review?against=70`), 404)
  expected(await line.analyst.get(`${REVISIONS}/70/review`), 404)
})

test('a station that has the revision keyed in is not to be programmed any more, and one unheard of is told', async () => {
  const { digest } = expected(await line.author.get(`${REVISIONS}/9`), 200).body
  expected(
    await line.approver.sign(`${REVISIONS}/9/approval`, { digest, inForceFrom: 'at-once', meaning: 'read and agreed' }),
    200,
  )
  line.setClock(line.now() + 1_000)
  created(await line.program('PG-0900', { revision: 9, revisionDigest: digest }))
  const { reach } = expected(await line.analyst.get(`${REVISIONS}/9/review`), 200).body
  expect(reach.stations[0]).toMatchObject({ revision: 9, programming: 'PG-0900', toProgram: false })
  expect(reach).toMatchObject({ assignmentCount: 0, toProgramCount: 0, unseenCount: 2 })
})
