import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, type Client, expected } from '../support/service.ts'

/** Bad news is never lost (design promise 5): a reported failure counts from whatever sender, purpose or key. */
let line: Line
let neighbour: Client
/** Of LDS-F3 as well. */
let gateway: Client

beforeAll(async () => {
  line = await openLine({ still: true })
  neighbour = await line.service.addKey({ kind: 'station', station: 'LDS-F3' })
  gateway = await line.service.addKey({ kind: 'gateway', site: 'leeds', stations: ['LDS-F3'] })
  line.setClock(line.now() + 3_600_000)
})
afterAll(() => line.service.close())

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)

/** Sends one upload a minute after the last. */
async function send(change: (wire: Wire) => void, as?: Client): Promise<Answer> {
  line.setClock(line.now() + 60_000)
  return line.send(line.upload(change), as)
}

/** The reasons against release, and the attempts. */
async function unitOf(serial: string): Promise<{ reasons: string[]; attempts: Wire[] }> {
  const { release, attempts } = expected(await line.analyst.get(`/v1/units/EX36/${serial}`), 200).body
  return { reasons: release.reasons.map(({ code }: { code: string }) => code), attempts }
}

/** Sends a good run of a unit. */
const pass = (serial: string, parts: Wire = {}) => send((wire) => Object.assign(wire, { serial, ...parts }))

const BREAKDOWN = (wire: Wire) => {
  wire.steps[1].measurements[0].termination = 'breakdown'
}

describe('a failure', () => {
  /** Sends a failing upload of a unit in some way; the unit passed before, and passes afterwards without a cause. */
  const ways: [string, number, (serial: string) => Promise<Answer>][] = [
    [
      'in a run for verification',
      202,
      (serial) =>
        send((wire) => {
          Object.assign(wire, { serial, purpose: 'verification' })
          BREAKDOWN(wire)
        }),
    ],
    [
      'in a run of a purpose that nobody knows',
      422,
      (serial) => send((wire) => Object.assign(wire, { serial, purpose: 'demonstration', stationVerdict: 'fail' })),
    ],
    [
      'under a key that was used before',
      409,
      async (serial) => {
        const first = expected(await pass(serial), 201).body
        return send((wire) => {
          Object.assign(wire, { serial, uploadKey: first.uploadKey })
          BREAKDOWN(wire)
        })
      },
    ],
    [
      'from a sender that may not speak for the station',
      422,
      (serial) =>
        send((wire) => {
          wire.serial = serial
          BREAKDOWN(wire)
        }, neighbour),
    ],
    [
      'from a gateway that does not serve the station',
      422,
      (serial) => send((wire) => Object.assign(wire, { serial, stationVerdict: 'fail' }), gateway),
    ],
    [
      'from a station that nobody knows',
      422,
      (serial) => send((wire) => Object.assign(wire, { serial, station: 'LDS-F9', stationVerdict: 'fail' })),
    ],
    [
      'from a sender that may not speak for the station, in an upload whose fields are wrong',
      422,
      (serial) => send((wire) => Object.assign(wire, { serial, surplus: 1, stationVerdict: 'fail' }), neighbour),
    ],
  ]

  test.each(ways)('%s stays, and blocks until a later pass and a recorded cause', async (_, status, fail) => {
    const serial = nextSerial()
    expected(await pass(serial), 201)
    const before = (await unitOf(serial)).attempts.length
    expected(await fail(serial), status)
    const { attempts, reasons } = await unitOf(serial)
    expect(attempts.length).toBeGreaterThan(before)
    expect(attempts.at(-1)).toMatchObject({ reportedFailure: true, attempt: attempts.length })
    expect(reasons).toContain('failure-unexplained')
    const again = expected(await pass(serial), 201).body
    expect(again).toMatchObject({ verdict: 'pass', release: { releasable: false } })
    expect((await unitOf(serial)).reasons).toEqual(['failure-unexplained'])
    const mended = expected(await pass(serial, { attemptCause: 'after-rework' }), 201).body
    expect(mended.release).toMatchObject({ releasable: true, provisional: true, reasons: [] })
  })

  test('under a key that was used before stands beside the first, which stays', async () => {
    const serial = nextSerial()
    const first = expected(await pass(serial), 201).body
    const wire = (uploadKey: string) => (one: Wire) => Object.assign(one, { serial, uploadKey, stationVerdict: 'fail' })
    expected(await send(wire(first.uploadKey)), 409)
    const { attempts } = await unitOf(serial)
    expect(attempts).toMatchObject([
      { runId: first.runId, outcome: 'accepted', attempt: 1, evidence: 'provisional' },
      { outcome: 'rejected', attempt: 2, verdict: null, evidence: null, reportedFailure: true },
    ])
    // A conflict without bad news leaves no trace in the history.
    expected(await send((one) => Object.assign(one, { serial, uploadKey: first.uploadKey })), 409)
    expect((await unitOf(serial)).attempts).toHaveLength(2)
  })

  test('of another unit under a used key stays with that other unit', async () => {
    const [one, other] = [nextSerial(), nextSerial()]
    const { uploadKey } = expected(await pass(one), 201).body
    expected(await send((wire) => Object.assign(wire, { serial: other, uploadKey, stationVerdict: 'fail' })), 409)
    expect((await unitOf(one)).reasons).toEqual([])
    expect((await unitOf(other)).reasons).toEqual(['operation-missing', 'failure-unexplained'])
  })
})

describe('the recorded cause', () => {
  test.each([
    ['a held run', 202, { person: 'P-0999' }],
    ['a run for engineering', 202, { purpose: 'engineering' }],
    ['a rejected run', 422, { surplus: 1 }],
    ['a rejected run that failed as well', 422, { surplus: 1, stationVerdict: 'fail' }],
  ])('in %s proves nothing', async (_, status, parts) => {
    const serial = nextSerial()
    expected(await send((wire) => Object.assign(wire, { serial, surplus: 1, stationVerdict: 'fail' })), 422)
    expected(await pass(serial, { attemptCause: 'after-rework', ...parts }), status)
    const passed = expected(await pass(serial), 201).body
    expect(passed).toMatchObject({ verdict: 'pass', release: { releasable: false } })
    expect((await unitOf(serial)).reasons).toContain('failure-unexplained')
    expect(expected(await pass(serial, { attemptCause: 'after-event' }), 201).body.release.releasable).toBe(true)
  })
})

describe('a rejected answer', () => {
  test("says the station's own verdict and the start that was used, the first time and later", async () => {
    const answer = expected(
      await send((wire) => {
        Object.assign(wire, { revisionDigest: `sha256:${'0'.repeat(64)}`, stationVerdict: 'fail' })
      }),
      422,
    ).body
    expect(answer).toMatchObject({ outcome: 'rejected', verdict: null, stationVerdict: 'fail' })
    expect(answer.startedAtUsed).toBe(answer.startedAt)
    const again = expected(await line.station.get(`/v1/runs/${answer.runId}`), 200).body
    expect(again).toMatchObject({ stationVerdict: 'fail', startedAtUsed: answer.startedAt, codes: answer.codes })
  })

  test('of an upload whose fields are wrong says both as far as they can be read', async () => {
    const { body } = await send((wire) => Object.assign(wire, { surplus: 1 }))
    expect(body).toMatchObject({ stationVerdict: 'pass', startedAtUsed: body.startedAt })
    const unread = await send((wire) => Object.assign(wire, { stationVerdict: 'good', startedAt: 'yesterday' }))
    expect(unread.body).toMatchObject({ stationVerdict: null, startedAt: null, startedAtUsed: null })
    const future = await send((wire) => {
      Object.assign(wire, { surplus: 1, startedAt: iso(line.now() + 1) })
    })
    expect(future.body).toMatchObject({ startedAt: iso(line.now() + 1), startedAtUsed: null })
  })

  test('to a sender that may not speak for the station is read again by it, and by no other station', async () => {
    const answer = await send(() => {}, neighbour)
    expect([answer.status, codesOf(answer)]).toEqual([422, expect.arrayContaining(['station-mismatch'])])
    const path = `/v1/runs/${answer.body.runId}`
    const again = expected(await neighbour.get(path), 200).body
    expect(again).toMatchObject({ runId: answer.body.runId, outcome: 'rejected', codes: answer.body.codes })
    const stranger = await line.service.addKey({ kind: 'station', station: 'OSA-A1' })
    expect((await stranger.get(path)).status).toBe(404)
  })
})

describe('release', () => {
  test('and history are not for station and gateway keys', async () => {
    const serial = nextSerial()
    expected(await pass(serial), 201)
    for (const path of [`/v1/units/EX36/${serial}/release`, `/v1/units/EX36/${serial}`]) {
      for (const machine of [line.station, gateway]) {
        const refused = await machine.get(path)
        expect([refused.status, refused.body.type]).toEqual([403, 'urn:limitkeep:problem:permission-missing'])
      }
      expected(await line.analyst.get(path), 200)
    }
  })
})

let units = 0

/** A unit that no test has used. */
function nextSerial(): string {
  units += 1
  return `EX36-26-9${String(units).padStart(5, '0')}`
}
