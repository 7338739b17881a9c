import { afterAll, beforeAll, expect, test } from 'vitest'
import { studyPage } from '../../src/studies/acts-step.ts'
import { planWire } from '../support/aldermoor.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, created, expected } from '../support/service.ts'

let line: Line
let testedFrom: string

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 120_000)
  testedFrom = iso(line.now() - 3_600_000)
  for (const touch of ['0.350', '0.650', '0.300', '0.601', '0.600', '0.700']) {
    const upload = line.upload((wire: Wire) => {
      wire.steps.find(({ step }: Wire) => step === 'touch').measurements[1].reading.value = touch
    })
    created(await line.send(upload))
    line.setClock(line.now() + 60_000)
  }
  const body = { eventKey: 'SHP-1', site: 'leeds', event: 'shipped', at: iso(line.now() - 1) }
  created(await line.analyst.post('/v1/units/EX36/EX36-26-000002/events', body))
  await line.approve(8, iso(line.now() + 86_400_000), (content) => {
    const touch = content.steps.find(({ step }: Wire) => step === 'touch')
    touch.limitUpper = { value: '0.60', unit: 'mA', inclusive: true }
  })
})
afterAll(() => line?.service.close())

const change = () => ({ kind: 'revision-change', plan: 'ex36-final', from: 7, to: 8, testedFrom })
const ask = (body: unknown): Promise<Answer> => line.author.post('/v1/studies', body)
const read = async (path: string) => expected(await line.analyst.get(`/v1/studies/${path}`), 200).body

/** Pages of two runs, counted and judged. */
const SMALL = { counted: 2, judged: 2 }

/** Works in pages of two runs, so that a study takes several; two workers at once, as two processes would. */
async function work(): Promise<void> {
  const one = async () => {
    while ((await studyPage(line.service.database, SMALL)) === 'more') {}
  }
  await Promise.all([one(), one()])
}

test('a limit tightened: who would fail, where they are, ranked; nothing is rewritten; the conclusion is signed', async () => {
  const asked = created(await ask({ study: 'touch-060', question: change() })).body
  expect(asked).toMatchObject({ study: 'touch-060', state: 'queued', found: 0, assessment: null })
  expect((await ask({ study: 'touch-060', question: change() })).body.type).toBe('urn:limitkeep:problem:already-exists')
  // Six runs are counted in pages of two, of which only an empty one is known to be the last.
  const page = async () => expect(await studyPage(line.service.database, SMALL)).toBe('more')
  await page()
  expect(await read('touch-060')).toMatchObject({ state: 'queued', total: 2, done: 0 })
  for (const _ of [2, 3, 4, 5]) await page()
  expect(await read('touch-060')).toMatchObject({ state: 'running', total: 6, done: 2, found: 1 })
  await work()
  const done = await read('touch-060')
  const count = { site: 'leeds', product: 'EX36', verdictBefore: 'pass', verdictAfter: 'fail' }
  expect(done).toMatchObject({
    state: 'done',
    total: 6,
    done: 6,
    found: 3,
    counts: [
      { ...count, shipState: 'in-plant', count: 2 },
      { ...count, shipState: 'shipped', count: 1 },
    ],
  })
  const first = await read('touch-060/findings?limit=2')
  const rest = await read(`touch-060/findings?limit=2&cursor=${first.nextCursor}`)
  const serials = [...first.items, ...rest.items].map(({ serial }) => serial)
  expect(serials).toEqual(['EX36-26-000006', 'EX36-26-000002', 'EX36-26-000004'])
  const run = expected(await line.analyst.get(`/v1/runs/${first.items[0].runId}`), 200).body
  expect(run.verdict).toBe('pass')

  const draft = {
    digest: done.digest,
    conclusion: 'Two are held and tested again; one is recalled.',
    meaning: 'assessed',
  }
  const path = '/v1/studies/touch-060/assessment'
  const stale = await line.approver.sign(path, { ...draft, digest: asked.digest })
  expect(stale.body.type).toBe('urn:limitkeep:problem:digest-stale')
  const closed = expected(await line.approver.sign(path, draft), 200).body
  expect(closed.assessment).toMatchObject({ assessedBy: 'P-0201', conclusion: draft.conclusion, digest: done.digest })
  expect((await line.approver.sign(path, draft)).body.type).toBe('urn:limitkeep:problem:already-exists')
})

test('an instrument found in error: its results of that kind since its last good calibration', async () => {
  const error = { kind: 'touch-current', error: { value: '-8', unit: '%' }, toleranceMet: false }
  const calibration = { instrument: 'INS-0031', performedAt: iso(line.now() - 1), dueOn: '2027-03-16' }
  const post = (body: unknown) => line.service.administrator.post('/v1/calibrations', body)
  created(await post({ calibration: 'CAL-A', ...calibration, asFound: [error] }))
  expect((await line.analyst.get('/v1/calibrations/CAL-A')).body.asFound).toEqual([error])
  const wrong = await post({ calibration: 'CAL-B', ...calibration, asFound: [{ ...error, kind: 'inspection' }] })
  expect(wrong.body.errors[0].pointer).toBe('#/asFound/0/kind')

  const { study } = created(await ask({ question: { kind: 'calibration-error', calibration: 'CAL-A' } })).body
  await work()
  expect(await read(study)).toMatchObject({ state: 'done', total: 6, done: 6, found: 6 })
  const { items } = await read(`${study}/findings`)
  // 0.700 / 0.92 lies above 0.75, the next below.
  expect(items.map(({ verdictAfter }: Wire) => verdictAfter)).toEqual(['fail', ...Array(5).fill('pass')])
  expect(items[0]).toMatchObject({ serial: 'EX36-26-000006', verdictBefore: 'pass' })
  expect(new Set(items.flatMap(({ measurements }: Wire) => measurements.map(({ kind }: Wire) => kind)))).toEqual(
    new Set(['touch-current']),
  )
  const none = await ask({ question: { kind: 'calibration-error', calibration: 'CAL-2026-0118' } })
  expect([none.status, none.body.errors[0].pointer]).toEqual([422, '#/question/calibration'])
})

test('what is asked must be there, and a study can be ended', async () => {
  const pointerOf = async (question: Wire) => (await ask({ question })).body.errors[0].pointer
  expect(await pointerOf({ ...change(), to: 99 })).toBe('#/question/to')
  expect(await pointerOf({ ...change(), to: 7 })).toBe('#/question/to')
  expect(await pointerOf({ ...change(), testedUntil: testedFrom })).toBe('#/question/testedUntil')
  expect((await line.analyst.get('/v1/studies/none')).status).toBe(404)

  const { study } = created(await ask({ question: change() })).body
  const early = { digest: `sha256:${'0'.repeat(64)}`, conclusion: 'too early', meaning: 'assessed' }
  const refused = await line.approver.sign(`/v1/studies/${study}/assessment`, early)
  expect(refused.body.type).toBe('urn:limitkeep:problem:state-conflict')
  expect(expected(await line.author.post(`/v1/studies/${study}/cancellation`), 200).body.state).toBe('cancelled')
  expect((await line.author.post(`/v1/studies/${study}/cancellation`)).status).toBe(409)
  await work()
  expect(await read(study)).toMatchObject({ state: 'cancelled', done: 0 })
})

test('a draft that is changed under a study ends it, and what was read of it till then is not mixed with the new', async () => {
  const path = '/v1/plans/ex36-final/revisions'
  const content: Wire = { ...structuredClone(planWire), revision: 9 }
  const { digest } = created(await line.author.post(path, { content, changeReason: 'tried out' })).body
  const { study } = created(await ask({ question: { ...change(), to: 9 } })).body
  content.steps.find(({ step }: Wire) => step === 'touch').limitUpper.value = '0.5'
  const draft = { content, changeReason: 'tried out again' }
  expected(await line.author.put(`${path}/9`, draft, { 'if-match': `"${digest}"` }), 200)
  await work()
  expect(await read(study)).toMatchObject({ state: 'failed', found: 0, failure: expect.stringContaining('draft') })
})

test('studies are listed, the one asked for last first, without what only counting tells', async () => {
  const { items, nextCursor } = expected(await line.analyst.get('/v1/studies?limit=500'), 200).body
  const asked = items.map(({ askedAt }: { askedAt: string }) => askedAt)
  expect(items.length).toBeGreaterThan(2)
  expect([asked, nextCursor]).toEqual([[...asked].sort().reverse(), null])
  const [last] = items
  const { counts: _, ...alone } = expected(await line.analyst.get(`/v1/studies/${last.study}`), 200).body
  expect(last).toEqual(alone)
  const first = expected(await line.analyst.get('/v1/studies?limit=1'), 200).body
  const second = expected(await line.analyst.get(`/v1/studies?limit=1&cursor=${first.nextCursor}`), 200).body
  expect([first.items[0], second.items[0]]).toEqual(items.slice(0, 2))
})
