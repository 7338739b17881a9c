import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { instant } from '../support/clock.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, type Client, created, expected } from '../support/service.ts'

/** Persons, instruments, calibrations and programmings as a run finds them at its start, and what is recorded late. */
const MINUTE = 60_000
const HOUR = 60 * MINUTE
const DAY = 24 * HOUR

let line: Line
let free: Client
let osaka: Client

beforeAll(async () => {
  line = await openLine({ still: true })
  free = await line.service.addKey({ kind: 'station', station: 'LDS-F3' })
  osaka = await line.service.addKey({ kind: 'station', station: 'OSA-A1' })
})
afterAll(() => line.service.close())

const codesOf = ({ body }: Answer): string[] => body.codes.map(({ code }: { code: string }) => code)
const administer = (path: string, body: unknown) => line.service.administrator.post(path, body)

/** Runs at LDS-F3, whose tester is set for each run: no programming is asked for. */
const atFree = (wire: Wire) => {
  Object.assign(wire, { station: 'LDS-F3', instrument: 'INS-0040', uploadKey: wire.uploadKey.replace('F2', 'F3') })
  delete wire.programming
}

async function started(startedAt: number, change: (wire: Wire) => void = () => {}, as?: Client): Promise<Answer> {
  line.setClock(Math.max(line.now(), startedAt + MINUTE))
  return line.send(line.upload(change, { startedAt }), as)
}

async function releaseOf(serial: string): Promise<Wire> {
  return expected(await line.analyst.get(`/v1/units/EX36/${serial}/release`), 200).body
}

const reasonsOf = (release: Wire): string[] => release.reasons.map(({ code }: { code: string }) => code)

describe('a person', () => {
  test('nobody knows holds the run, which is judged all the same', async () => {
    line.setClock(line.now() + MINUTE)
    const answer = await line.send(line.upload((wire) => (wire.person = 'P-0999')))
    expect([answer.status, codesOf(answer)]).toEqual([202, ['person-unknown']])
    expect(answer.body).toMatchObject({ verdict: 'pass', evidence: 'none', attempt: 1 })
    expect(answer.body.codes[0]).toMatchObject({ pointer: '#/person', facts: { person: 'P-0999' } })
    expect(reasonsOf(answer.body.release)).toEqual(['hold-open'])
    const { serial } = (await line.analyst.get('/v1/runs?code=person-unknown')).body.items[0]
    created(await administer('/v1/persons', { person: 'P-0999', name: 'Nan Whitlock', roles: [] }))
    expect(await releaseOf(serial)).toMatchObject({ releasable: true, reasons: [] })
    // The answer to a later upload of the unit is made with it as well.
    const run = expected(await line.analyst.get(`/v1/runs/${answer.body.runId}`), 200).body
    expect(run).toMatchObject({ outcome: 'held', standing: 'accepted', evidence: 'provisional' })
  })
})

describe('an instrument', () => {
  test('that is not the one at the station, or that nobody knows, holds the run', async () => {
    for (const instrument of ['INS-0040', 'INS-9999']) {
      const answer = await line.send(line.upload((wire) => (wire.instrument = instrument)))
      expect(answer.status).toBe(202)
      expect(codesOf(answer)).toContain('instrument-mismatch')
    }
  })

  test('without stored programs is asked for no programming, and a cited one does no harm', async () => {
    expect((await line.send(line.upload(atFree), free)).status).toBe(201)
    const cited = (wire: Wire) => {
      atFree(wire)
      wire.programming = 'PG-0192'
    }
    expect((await line.send(line.upload(cited), free)).status).toBe(201)
  })
})

describe('a programming', () => {
  const because = (answer: Answer) => [answer.status, codesOf(answer), answer.body.codes[0].facts.because]
  const held = (why: string) => [202, ['programming-not-current'], why]

  test('must be cited, known, and of the revision', async () => {
    expect(because(await line.send(line.upload((wire) => delete wire.programming)))).toEqual(held('not-cited'))
    expect(because(await line.send(line.upload((wire) => (wire.programming = 'PG-9999'))))).toEqual(held('unknown'))
  })

  test('carries a start at the instant of its read-back, and none before', async () => {
    const at = line.now()
    const parts = { programs: ['5', '6'], revision: 7, revisionDigest: line.revisionDigest, at: iso(at) }
    created(await line.program('PG-0200', parts))
    const cite = (wire: Wire) => (wire.programming = 'PG-0200')
    expect((await started(at, cite)).status).toBe(201)
    expect(because(await started(at - 1, cite))).toEqual(held('not-yet'))
  })

  test('ends at the instant of its ending, or where one of its programs is keyed anew', async () => {
    const at = line.now() + HOUR
    line.setClock(at)
    const ending = await line.operator.post('/v1/programmings/PG-0200/ending', { at: iso(at), reason: 'service' })
    expect([200, 201]).toContain(ending.status)
    const cite = (wire: Wire) => (wire.programming = 'PG-0200')
    expect((await started(at - 1, cite)).status).toBe(201)
    expect(because(await started(at, cite))).toEqual(held('ended'))
    const parts = { programs: ['3', '4'], revision: 7, revisionDigest: line.revisionDigest }
    const anew = line.now()
    created(await line.program('PG-0201', { ...parts, at: iso(anew) }))
    expect((await started(anew - 1)).status).toBe(201)
    expect(because(await started(anew))).toEqual(held('reprogrammed'))
    expect((await started(anew, (wire) => (wire.programming = 'PG-0201'))).status).toBe(201)
  })
})

describe('a fact recorded late', () => {
  const cite = (wire: Wire) => (wire.programming = 'PG-0201')

  test('that takes the programming away makes the evidence suspect and refuses nothing tested before', async () => {
    line.setClock(line.now() + HOUR)
    const passed = expected(await line.send(line.upload(cite)), 201).body
    expect(passed.evidence).toBe('provisional')
    const { serial } = (await line.analyst.get(`/v1/runs?code=person-unknown`)).body.items[0]
    expect(serial).toBe('EX36-26-000001')
    line.setClock(line.now() + HOUR)
    const endedAt = line.now() - 90 * MINUTE
    const body = { at: iso(endedAt), reason: 'the programs were found changed' }
    const ending = await line.operator.post('/v1/programmings/PG-0201/ending', body)
    expect([200, 201]).toContain(ending.status)
    const now = expected(await line.station.get(`/v1/runs/${passed.runId}`), 200).body
    expect(now).toMatchObject({ outcome: 'accepted', standing: 'accepted', verdict: 'pass', evidence: 'suspect' })
    expect(reasonsOf(now.release)).toEqual(['evidence-suspect'])
    expect(now.action).toContain('was taken away afterwards')
    // One tested before the ending was recorded and sent only now is accepted, and suspect at once.
    const late = await line.send(line.upload(cite, { startedAt: line.now() - 80 * MINUTE }))
    expect([late.status, late.body.evidence]).toEqual([201, 'suspect'])
    expect(late.body.release.releasable).toBe(false)
    const before = await line.send(line.upload(cite, { startedAt: endedAt - 1 }))
    expect([before.status, before.body.evidence]).toEqual([201, 'provisional'])
    // A later proper test makes the unit good again.
    const parts = { programs: ['3', '4'], revision: 7, revisionDigest: line.revisionDigest }
    created(await line.program('PG-0202', parts))
    line.setClock(line.now() + MINUTE)
    const again = (wire: Wire) => {
      wire.programming = 'PG-0202'
      wire.serial = unitOf(passed)
    }
    expect((await line.send(line.upload(again))).body.release.releasable).toBe(true)
    expect((await line.station.get(`/v1/runs/${passed.runId}`)).body.evidence).toBe('superseded')
  })

  test('that moves the instrument away makes what it tested since suspect, also in a release asked afterwards', async () => {
    line.setClock(line.now() + HOUR)
    const passed = expected(await line.send(line.upload(atFree), free), 201).body
    const serial = unitOf(passed)
    expect((await releaseOf(serial)).releasable).toBe(true)
    line.setClock(line.now() + HOUR)
    const from = line.now() - 90 * MINUTE
    created(await administer('/v1/stations/OSA-A1/instruments', { instrument: 'INS-0040', from: iso(from) }))
    expect(reasonsOf(await releaseOf(serial))).toEqual(['evidence-suspect'])
    // What started before the move stands, and what starts after its recording is held.
    expect((await started(from - 1, atFree, free)).body.evidence).toBe('provisional')
    const held = await started(line.now() + 1, atFree, free)
    expect([held.status, codesOf(held)]).toEqual([202, ['instrument-mismatch']])
    const back = { instrument: 'INS-0040', from: iso(line.now()) }
    created(await administer('/v1/stations/LDS-F3/instruments', back))
    expect((await started(line.now(), atFree, free)).status).toBe(201)
  })

  test('that adds a calibration, though shorter, takes away the one before', async () => {
    line.setClock(line.now() + DAY)
    const passed = expected(await line.send(line.upload(atFree), free), 201).body
    line.setClock(line.now() + HOUR)
    created(
      await administer('/v1/calibrations', {
        calibration: 'CAL-2026-0200',
        instrument: 'INS-0040',
        performedAt: iso(line.now() - 2 * DAY),
        dueOn: iso(line.now() - DAY).slice(0, 10),
      }),
    )
    const now = expected(await line.station.get(`/v1/runs/${passed.runId}`), 404)
    expect(now.body.type).toBe('urn:limitkeep:problem:run-not-found')
    const asked = expected(await free.get(`/v1/runs/${passed.runId}`), 200).body
    expect(asked).toMatchObject({ evidence: 'suspect', judgedBy: { calibration: 'CAL-2026-0119' } })
    created(
      await administer('/v1/calibrations', {
        calibration: 'CAL-2026-0201',
        instrument: 'INS-0040',
        performedAt: iso(line.now() - 2 * DAY + 1),
        dueOn: '2026-12-31',
      }),
    )
    expect((await free.get(`/v1/runs/${passed.runId}`)).body.evidence).toBe('provisional')
  })
})

describe('a calibration', () => {
  // Trade case T33: due on a day, it holds to the end of that day where the site stands. British Summer Time begins on
  // 29 March 2026, so the day of 30 March ends at 23:00 UTC.
  test('holds to the end of its local day', async () => {
    created(
      await administer('/v1/calibrations', {
        calibration: 'CAL-2026-0300',
        instrument: 'INS-0031',
        performedAt: iso(line.now()),
        dueOn: '2026-03-30',
      }),
    )
    const end = instant('2026-03-30T23:00:00.000Z')
    const cite = (wire: Wire) => {
      wire.programming = 'PG-0202'
      wire.steps[0].leadOffset.takenAt = iso(end - HOUR)
    }
    const last = await started(end - 1, cite)
    expect([last.status, last.body.judgedBy.calibration]).toEqual([201, 'CAL-2026-0300'])
    const held = await started(end, cite)
    expect([held.status, codesOf(held)]).toEqual([202, ['calibration-expired']])
    expect(held.body.codes[0].facts).toMatchObject({ calibration: 'CAL-2026-0300', dueOn: '2026-03-30' })
    // A corrected start on the other side of midnight: nobody knows which it was.
    const uncertain = line.upload(cite, { startedAt: end - 1, sentAt: line.now() - 10_000 })
    expect(codesOf(await line.send(uncertain))).toEqual(['start-uncertain'])
  })
})

describe('a site', () => {
  test('at which the plan is not in force refuses its runs', async () => {
    const answer = await line.send(
      line.upload((wire) => {
        Object.assign(wire, { station: 'OSA-A1', uploadKey: 'OSA-A1:1', instrument: 'INS-0040' })
        delete wire.programming
      }),
      osaka,
    )
    expect(answer.status).toBe(422)
    expect(codesOf(answer)).toContain('product-plan-mismatch')
  })
})

describe('the oldest site there can be', () => {
  test('opened in 1970, so that an earlier start cannot be placed', async () => {
    const opened = { site: 'hull', name: 'Hull', timeZone: 'Europe/London', openedAt: '1950-01-01T00:00:00Z' }
    const refused = await administer('/v1/sites', opened)
    expect([refused.status, refused.body.errors]).toMatchObject([422, [{ pointer: '#/openedAt' }]])
    created(await administer('/v1/sites', { ...opened, openedAt: '1970-01-01T00:00:00Z' }))
    created(await administer('/v1/stations', { station: 'HUL-1', site: 'hull', name: 'Hull', linked: 'keyed' }))
    const hull = await line.service.addKey({ kind: 'station', station: 'HUL-1' })
    const digest = (
      await line.approve(17, 'at-once', (content) => {
        content.sites = ['hull']
        content.plan = 'ex36-hull'
      })
    ).body.digest
    const body = line.upload(
      (wire) => {
        Object.assign(wire, { station: 'HUL-1', uploadKey: 'HUL-1:1', plan: 'ex36-hull', revision: 17 })
        wire.revisionDigest = digest
      },
      { startedAt: instant('1960-01-01T00:00:00.000Z') },
    )
    const answer = await line.send(body, hull)
    expect([answer.status, codesOf(answer)]).toEqual([202, ['clock-implausible']])
    expect(answer.body.startedAtUsed).toBeNull()
  })
})

/** The serial number that `upload` gave to the run of this answer: the number of its key. */
function unitOf({ uploadKey }: { uploadKey: string }): string {
  return `EX36-26-${uploadKey.split(':')[1]}`
}
