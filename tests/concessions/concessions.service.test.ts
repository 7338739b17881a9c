import { afterAll, beforeAll, expect, test } from 'vitest'
import { extractorStrength } from '../support/aldermoor.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

/** Trade case T44 on a line of Aldermoor Works (invented): the verdict stays, and two people let the unit ship. */
let line: Line

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 600_000)
})
afterAll(() => line?.service.close())

async function tested(serial: string, current: string, change: (wire: Wire) => void = () => {}): Promise<Wire> {
  line.setClock(line.now() + 60_000)
  const wire = line.upload((one) => {
    one.serial = serial
    delete one.stationVerdict
    for (const step of one.steps) delete step.stationVerdict
    one.steps[1].measurements[0].reading.value = current
    one.steps[1].measurements[0].highestInRamp.value = '1.9'
    change(one)
  })
  return (await line.send(wire)).body
}

const draft = (concession: string, runId: string) => ({
  concession,
  runId,
  reference: 'CN-104 of the customer',
  reason: 'the leakage is that of the longer filter cable',
})
const request = (concession: string, runId: string) => line.author.post('/v1/concessions', draft(concession, runId))
const approve = (concession: string, digest: string, by = line.approver) =>
  by.sign(`/v1/concessions/leeds/${concession}/approval`, { digest, meaning: 'agreed with the customer' })
const unit = async (serial: string) => expected(await line.analyst.get(`/v1/units/EX36/${serial}`), 200).body

test('a concession leaves the verdict and lets the unit ship, once another person has given it', async () => {
  const failed = await tested('EX36-26-800001', '3.2')
  expect(failed).toMatchObject({ verdict: 'fail', release: { releasable: false } })
  const asked = created(await request('CN-104', failed.runId)).body
  expect(asked).toMatchObject({
    serial: 'EX36-26-800001',
    departures: [
      { step: 'strength', member: 'limitUpper', limit: { value: '3.0' }, judged: { value: '3.2', unit: 'mA' } },
    ],
    approvedAt: null,
  })
  expect((await unit('EX36-26-800001')).release.releasable).toBe(false)
  const { body } = expected(await approve('CN-104', asked.digest), 200)
  expect(body.approvedBy).toBe('P-0201')
  const after = await unit('EX36-26-800001')
  expect(after.release).toMatchObject({ releasable: true, concessions: ['CN-104'], reasons: [] })
  expect(after.attempts[0]).toMatchObject({ verdict: 'fail', concession: 'CN-104', evidence: 'none' })
  expected(await approve('CN-104', asked.digest), 409)
  // What happens to the unit afterwards, or a later run, still counts.
  line.setClock(line.now() + 60_000)
  const event = { eventKey: 'RPR-1', site: 'leeds', event: 'opened', at: iso(line.now()) }
  created(await line.analyst.post('/v1/units/EX36/EX36-26-800001/events', event))
  const opened = (await unit('EX36-26-800001')).release
  expect(opened.reasons.map(({ code }: Wire) => code)).toEqual(['evidence-superseded'])
  expect(opened.concessions).toEqual([])
  expect((await tested('EX36-26-800001', '3.2')).release.reasons[0].code).toBe('latest-run-fail')
})

test('it is not given by who asked for it, nor for another digest', async () => {
  const { runId } = await tested('EX36-26-800002', '3.3')
  const both = await line.service.addPerson('P-0304', ['author', 'approver'])
  const { digest } = created(await both.post('/v1/concessions', draft('CN-105', runId))).body
  expect(expected(await approve('CN-105', digest, both), 403).body.type).toMatch(/two-people-required$/)
  expect(expected(await approve('CN-105', `sha256:${'0'.repeat(64)}`), 409).body.type).toMatch(/digest-stale$/)
  expected(await approve('CN-999', digest), 404)
  expect(expected(await request('CN-105', runId), 409).body.type).toMatch(/already-exists$/)
})

test.each<[string, (wire: Wire) => void, string]>([
  ['that passed', () => {}, '1.9'],
  ['that broke down', (wire) => (wire.steps[1].measurements[0].termination = 'breakdown'), '1.9'],
  ['that the station alone failed', (wire) => (wire.stationVerdict = 'fail'), '1.9'],
  ['that was no proper test', (wire) => (wire.steps[1].measurements[0].testVoltage.value = '900'), '1.9'],
  ['that is held', (wire) => (wire.person = 'P-0999'), '3.2'],
])('none is asked for of a run %s', async (name, change, current) => {
  const { runId } = await tested(`EX36-26-8100${String(name.length).padStart(2, '0')}`, current, change)
  const refused = expected(await request('CN-200', runId), 409).body
  expect(refused.detail).toMatch(/No leave can be given/)
})

test('it is never beyond the rules in effect', async () => {
  const { runId } = await tested('EX36-26-800003', '3.4')
  const { digest } = created(await request('CN-106', runId)).body
  const [source] = extractorStrength().sources
  if (source === undefined) throw new Error('the extractors have a source')
  await line.publish({
    table: 'leakage-limit',
    edition: 1,
    title: 'Most leakage in the strength test',
    ruleSet: 'aldermoor-routine',
    subject: 'electric-strength-ac',
    hitPolicy: 'U',
    inputs: [],
    outputs: [{ parameter: 'limitUpper', relation: '<=', unit: 'mA' }],
    rows: [{ row: 'r1', when: [], then: ['3.3'] }],
    sources: [{ ...source, rows: ['r1'] }],
  })
  const { body } = expected(await approve('CN-106', digest), 409)
  expect(body.type).toMatch(/beyond-rules$/)
  expect(body.findings[0]).toMatchObject({ parameter: 'limitUpper', demanded: { value: '3.3', unit: 'mA' } })
  expect((await unit('EX36-26-800003')).release.releasable).toBe(false)
})

test('lists are of one unit where it is named, and the graph has them beside the run', async () => {
  const { items } = expected(await line.analyst.get('/v1/concessions?product=EX36&serial=EX36-26-800001'), 200).body
  expect(items.map(({ concession }: Wire) => concession)).toEqual(['CN-104'])
  const page = expected(await line.analyst.get('/v1/concessions?limit=1'), 200).body
  expect((await line.analyst.get(`/v1/concessions?limit=9&cursor=${page.nextCursor}`)).body.items).toHaveLength(2)
  const query = `{ run(runId: "${items[0].runId}") { concessions { concession departures { step judged { value unit } } } } }`
  const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
  expect(data.run.concessions).toEqual([
    { concession: 'CN-104', departures: [{ step: 'strength', judged: { value: '3.2', unit: 'mA' } }] },
  ])
})
