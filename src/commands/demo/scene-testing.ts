import { type Run, withBreakOff, withReading } from './bench.ts'
import { sendConflict, sendRun } from './sending.ts'
import { type Stage, testUnit } from './stage.ts'

/** Units on the line: good, sent twice, sent otherwise, failing, badly contacted, broken down, malformed, badly timed. */
export async function testUnits(stage: Stage): Promise<void> {
  const { shift, tell } = stage
  shift.until(70)
  tell.scene('Units are tested; the server judges every reading')

  const good = testUnit(stage, unit('EX36-26-004417'))
  tell.does('EX36-26-004417 is tested. All eight readings are within their limits.')
  const first = await sendRun(stage, good, { status: 201, verdict: 'pass' })
  tell.does('The answer got lost, so the station sends the same run again, under the same key.')
  await sendRun(stage, good, { status: 201, verdict: 'pass', repeated: true })
  tell.does('By mistake it then sends another reading under that key.')
  await sendConflict(
    stage,
    withReading(good, { step: 'touch', measurement: 'normal-open' }, { value: '0.298' }),
    first.runId,
  )

  const leaking = withReading(
    testUnit(stage, unit('EX36-26-004418')),
    { step: 'touch', measurement: 'normal-open' },
    { value: '0.902' },
  )
  tell.does('EX36-26-004418 shows a touch current of 0.902 mA with the neutral open.')
  await sendRun(stage, { ...leaking, stationVerdict: 'fail' }, { status: 201, verdict: 'fail' })

  const openLead = withReading(
    testUnit(stage, unit('EX36-26-004419')),
    { step: 'strength', measurement: 'live-to-earth' },
    { value: '0.02' },
  )
  tell.does('EX36-26-004419: the tester says pass, because 0.02 mA is far below the limit. A sound unit draws 1.7 mA.')
  await sendRun(stage, openLead, { status: 201, verdict: 'invalid' })
  const again = testUnit(stage, { ...unit('EX36-26-004419'), attemptCause: 'after-invalid' })
  tell.does('The clip had slipped off. With the lead mended, the unit is tested again.')
  await sendRun(stage, again, { status: 201, verdict: 'pass' })

  const broken = withBreakOff(
    testUnit(stage, unit('EX36-26-004420')),
    { step: 'strength', measurement: 'live-to-earth' },
    { termination: 'breakdown', testVoltage: '870' },
  )
  tell.does('EX36-26-004420 breaks down at 870 V. There is no number; it fails all the same.')
  await sendRun(stage, broken, { status: 201, verdict: 'fail' })

  await sendMalformed(stage)

  const slow = atSlowClock(testUnit(stage, unit('EX36-26-004422')), 600)
  tell.does("EX36-26-004422 is tested while the station's clock is ten minutes slow.")
  await sendRun(stage, slow, { status: 202, code: 'clock-skew', slowSeconds: 600 })
}

async function sendMalformed(stage: Stage): Promise<void> {
  const { tell } = stage
  const run = testUnit(stage, unit('EX36-26-004421'))
  const wrong = withReading(run, { step: 'insulation', measurement: 'live-to-earth' }, { unit: 'MOHM' })
  tell.does('EX36-26-004421: a new driver writes the unit as MOHM, which could be milliohm or megohm.')
  const { uploadKey } = wrong
  await sendRun(stage, wrong, { status: 422, code: 'unit-ambiguous' })
  tell.does('The driver is mended; the same test is sent under a new key that names the one it replaces.')
  const mended = { ...run, uploadKey: `${uploadKey}-b`, replaces: uploadKey }
  await sendRun(stage, mended, { status: 201, verdict: 'pass' })
}

export function unit(serial: string) {
  return { serial, variant: 'EX36-3M' } as const
}

/** The run as a station dates it whose clock is slow. */
function atSlowClock(run: Run, seconds: number): Run {
  const earlier = (instant: string) => new Date(Date.parse(instant) - seconds * 1_000).toISOString()
  return {
    ...run,
    startedAt: earlier(run.startedAt),
    endedAt: earlier(run.endedAt),
    steps: run.steps.map((step) => ({ ...step, startedAt: earlier(step.startedAt), endedAt: earlier(step.endedAt) })),
  }
}
