import { afterAll, beforeAll, expect, test } from 'vitest'
import { type Line, openLine } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

let line: Line
let runId: string

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 600_000)
  const upload = line.upload((wire) => {
    delete wire.stationVerdict
    for (const step of wire.steps) delete step.stationVerdict
    wire.steps[3].measurements[1].reading.value = '0.941'
  })
  const answer = created(await line.send(upload)).body
  expect(answer.verdict).toBe('fail')
  runId = answer.runId
})
afterAll(() => line?.service.close())

const path = () => `/v1/runs/${runId}/corrections`
const draft = (more: Record<string, unknown> = {}) => ({
  step: 'touch',
  measurement: 'normal-open',
  member: 'reading',
  to: { value: '0.341', unit: 'mA' },
  reason: 'the 3 was taken for a 9; photograph of the display in the job folder',
  ...more,
})

test.each([
  ['no reason', { reason: undefined }, '#/reason'],
  ['an empty reason', { reason: '' }, '#/reason'],
  ['no such step', { step: 'look' }, '#/measurement'],
  ['a unit of another quantity', { to: { value: '1', unit: 'V' } }, '#/to'],
  ['a unit in capitals', { to: { value: '1', unit: 'MA' } }, '#/to/unit'],
  ['no number', { to: { value: 'high', unit: 'mA' } }, '#/to/value'],
  ['a member that is none', { member: 'verdict' }, '#/member'],
])('%s is refused with its field', async (_, change, pointer) => {
  const answer = expected(await line.author.post(path(), draft(change)), 422)
  expect(answer.body.errors.map((one: { pointer: string }) => one.pointer)).toContain(pointer)
})

test('the verdict changes when a second person has signed, and what was sent first stays', async () => {
  const before = (await line.analyst.get(`/v1/runs/${runId}/raw`)).status
  expect(before).toBe(200)
  const made = created(await line.author.post(path(), draft())).body
  expect(made).toMatchObject({ verdictBefore: 'fail', verdictAfter: 'pass', inEffect: false, from: { value: '0.941' } })
  const unit = async () => (await line.analyst.get(`/v1/units/EX36/EX36-26-000001`)).body
  expect((await unit()).attempts[0]).toMatchObject({ verdict: 'fail', correctedFrom: null })

  const confirmation = `${path()}/${made.correctionId}/confirmation`
  const signed = { digest: made.digest, meaning: 'compared with the photograph' }
  expected(await line.author.post(confirmation, signed), 403)
  expected(await line.approver.sign(confirmation, { ...signed, digest: `sha256:${'0'.repeat(64)}` }), 409)
  expect(expected(await line.approver.sign(confirmation, signed), 200).body.inEffect).toBe(true)
  expected(await line.approver.sign(confirmation, signed), 409)

  expect(await unit()).toMatchObject({
    attempts: [{ verdict: 'pass', correctedFrom: 'fail', evidence: 'provisional' }],
    release: { releasable: true },
  })
  const answer = (await line.analyst.get(`/v1/runs/${runId}`)).body
  expect(answer).toMatchObject({ verdict: 'fail', correctedVerdict: 'pass' })
  expect(answer.action).toContain('Corrected')
})

test('a second correction stands on the first, and one made beside it goes stale', async () => {
  const beside = created(await line.author.post(path(), draft({ to: { value: '0.9', unit: 'mA' } }))).body
  const next = created(await line.author.post(path(), draft({ to: { value: '0.8', unit: 'mA' } }))).body
  expect([beside, next].map(({ verdictBefore, verdictAfter }) => [verdictBefore, verdictAfter])).toEqual([
    ['pass', 'fail'],
    ['pass', 'fail'],
  ])
  const confirm = ({ correctionId, digest }: typeof next) =>
    line.approver.sign(`${path()}/${correctionId}/confirmation`, { digest, meaning: 'measured again' })
  expected(await confirm(next), 200)
  expected(await confirm(beside), 409)
  const { items } = (await line.analyst.get(path())).body
  expect(items.map(({ inEffect }: { inEffect: boolean }) => inEffect)).toEqual([true, false, true])
  const query = `{ run(runId: "${runId}") { corrections { verdictAfter inEffect from { value } } answer { verdict correctedVerdict } } }`
  const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
  expect(data.run.corrections[0]).toEqual({ verdictAfter: 'PASS', inEffect: true, from: { value: '0.941' } })
  expect(data.run.answer).toEqual({ verdict: 'FAIL', correctedVerdict: 'FAIL' })
})

test('a run or correction that is not there is said to be so, and only those correct who may', async () => {
  const other = runId.replace(/.$/, (last) => (last === '0' ? '1' : '0'))
  expected(await line.author.post(`/v1/runs/${other}/corrections`, draft()), 404)
  expected(
    await line.approver.sign(`${path()}/${other}/confirmation`, { digest: `sha256:${'0'.repeat(64)}`, meaning: 'x' }),
    404,
  )
  expected(await line.analyst.post(path(), draft()), 403)
  expected(await line.station.post(path(), draft()), 403)
})
