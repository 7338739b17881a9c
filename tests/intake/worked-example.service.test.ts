import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { contractUpload } from '../support/aldermoor.ts'
import { instant } from '../support/clock.ts'
import { type Line, openLine } from '../support/line.ts'
import { expected } from '../support/service.ts'

/** Payloads, sections 4 and 5: the worked example at its own instants, byte for byte. */
let line: Line

beforeAll(async () => {
  line = await openLine({ still: true })
})
afterAll(() => line.service.close())

describe('the worked example', () => {
  test('is answered as the wire contract prints it', async () => {
    // The first attempt, whose lead had come off: the readings say nothing about the unit.
    line.setClock(instant('2026-03-16T09:12:00.000Z'))
    const first = expected(
      await line.send(
        line.upload((wire) => {
          wire.uploadKey = 'LDS-F2:0007314'
          wire.sequenceNumber = 7314
          wire.serial = 'EX36-26-004417'
          wire.steps[1].measurements[0].reading.value = '0.02'
          wire.steps[1].measurements[0].highestInRamp.value = '0.02'
        }),
      ),
      201,
    ).body
    expect(first).toMatchObject({ outcome: 'accepted', verdict: 'invalid', evidence: 'none', attempt: 1 })
    expect(first.release.reasons.map(({ code }: { code: string }) => code)).toEqual(['latest-run-invalid'])

    line.setClock(instant('2026-03-16T09:14:39.930Z'))
    const answer = expected(await line.send(contractUpload), 201)
    expect(answer.headers['location']).toBe(`/v1/runs/${answer.body.runId}`)
    expect(answer.body).toMatchObject({
      uploadKey: 'LDS-F2:0007315',
      repeated: false,
      outcome: 'accepted',
      standing: 'accepted',
      codes: [],
      verdict: 'pass',
      stationVerdict: 'pass',
      evidence: 'provisional',
      attempt: 2,
      contentDigest: 'sha256:8546a54ba0213a107c1e0421ab1ca02272ef7e25ff05eaad4ef08ca39028c01c',
      receivedAt: '2026-03-16T09:14:39.930Z',
      skewMs: 130,
      startedAt: '2026-03-16T09:14:05.120Z',
      startedAtUsed: '2026-03-16T09:14:05.120Z',
      judgedBy: {
        plan: 'ex36-final',
        revision: 7,
        revisionDigest: 'sha256:65660e8c91185bc1ed66f88071e84179a8916dad8a1f52b98abc5486bb722884',
        productVersion: 3,
        editions: ['appliance-strength/4', 'extractor-strength/2'],
        decisionRule: 'simple',
        calibration: 'CAL-2026-0118',
      },
      release: { releasable: true, provisional: true, reasons: [] },
      action: 'Passed. Evidence is provisional until the next station check closes the bracket.',
    })
    expect(answer.body.steps.map(({ step, verdict }: { step: string; verdict: string }) => [step, verdict])).toEqual([
      ['bond', 'pass'],
      ['strength', 'pass'],
      ['insulation', 'pass'],
      ['touch', 'pass'],
    ])
    expect(answer.body.steps[0].measurements[0]).toMatchObject({
      measurement: 'motor-housing',
      verdict: 'pass',
      judged: { value: '97.4', unit: 'mOhm' },
      limitUpper: { value: '158.5', unit: 'mOhm' },
      margin: { value: '61.1', unit: 'mOhm' },
      reasons: [{ code: 'lead-offset-subtracted', facts: { raw: '118.4 mOhm', offset: '21.0 mOhm' } }],
    })
    // The id carries the instant of receipt.
    expect(Number.parseInt(answer.body.runId.replace('-', '').slice(0, 12), 16)).toBe(
      instant('2026-03-16T09:14:39.930Z'),
    )
  })

  test('is read again as it was answered, by whoever may', async () => {
    const { runId } = (await line.analyst.get('/v1/runs?serial=EX36-26-004417')).body.items[0]
    const first = expected(await line.station.get(`/v1/runs/${runId}`), 200).body
    expect(first).toMatchObject({ runId, repeated: false, verdict: 'pass', attempt: 2, evidence: 'provisional' })
    expect((await line.analyst.get(`/v1/runs/${runId}`)).body).toEqual(first)
    const again = expected(await line.send(contractUpload.replace('09:14:39.800', '09:15:00.000')), 201).body
    expect(again).toEqual({ ...first, repeated: true })
  })

  test('gives its bytes back as they came', async () => {
    const { runId } = (await line.analyst.get('/v1/runs?serial=EX36-26-004417')).body.items[0]
    const reply = await line.service.app.server.inject({
      url: `/v1/runs/${runId}/raw`,
      headers: { authorization: `Bearer ${line.analyst.token}` },
    })
    expect(reply.statusCode).toBe(200)
    expect(reply.rawPayload.equals(Buffer.from(contractUpload, 'utf8'))).toBe(true)
    expect((await line.operator.get(`/v1/runs/${runId}/raw`)).status).toBe(403)
  })

  test('stands in the unit, its history, its readings and its release', async () => {
    const release = expected(await line.analyst.get('/v1/units/EX36/ex36-26-004417%0D%0A/release'), 200).body
    expect(release).toMatchObject({
      product: 'EX36',
      serial: 'EX36-26-004417',
      releasable: true,
      provisional: true,
      operationsRequired: ['final'],
      reasons: [],
    })
    const unit = expected(await line.analyst.get('/v1/units/EX36/EX36-26-004417'), 200).body
    expect(unit.attempts).toMatchObject([
      { attempt: 1, verdict: 'invalid', evidence: 'none' },
      { attempt: 2, verdict: 'pass', evidence: 'provisional', attemptCause: 'after-invalid', programming: 'PG-0192' },
    ])
    const readings = await line.service.database.sql.query(
      `SELECT step, measurement, value::text, judged::text, relation, unit, text, test_voltage::text AS volts, limit_upper::text AS most
       FROM intake.readings JOIN intake.runs USING (site_id, started_at, run_id)
       WHERE sequence_number = 7315 ORDER BY step, measurement`,
    )
    expect(readings).toHaveLength(8)
    expect(readings[1]).toEqual({
      step: 'bond',
      measurement: 'motor-housing',
      value: '0.1184',
      judged: '0.0974',
      relation: '=',
      unit: 'mOhm',
      text: '118.4',
      volts: null,
      most: '0.1585',
    })
    expect(readings[2]).toMatchObject({
      step: 'insulation',
      value: '9990000000',
      relation: '>',
      text: '>9.99 GΩ',
      volts: '508',
    })
  })
})
