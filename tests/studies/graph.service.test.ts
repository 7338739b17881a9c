import { afterAll, beforeAll, expect, test } from 'vitest'
import { graphWord } from '../../src/platform/http/graphql/builder.ts'
import { studyPage } from '../../src/studies/acts-step.ts'
import { iso, type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'
import { statementsOf } from '../support/statements.ts'

let line: Line

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 120_000)
  const testedFrom = iso(line.now() - 3_600_000)
  for (const touch of ['0.350', '0.650', '0.601', '0.700']) {
    const upload = line.upload((wire: Wire) => {
      wire.steps.find(({ step }: Wire) => step === 'touch').measurements[1].reading.value = touch
    })
    created(await line.send(upload))
    line.setClock(line.now() + 60_000)
  }
  const until = iso(line.now() + 86_400_000)
  for (const [revision, limit] of [
    [8, '0.60'],
    [9, '0.65'],
    [10, '0.34'],
  ] as const) {
    await line.approve(revision, until, (content) => {
      const touch = content.steps.find(({ step }: Wire) => step === 'touch')
      touch.limitUpper = { value: limit, unit: 'mA', inclusive: true }
    })
    const question = { kind: 'revision-change', plan: 'ex36-final', from: 7, to: revision, testedFrom }
    created(await line.author.post('/v1/studies', { study: `touch-${revision}`, question }))
    line.setClock(line.now() + 1_000)
  }
  const error = { kind: 'touch-current', error: { value: '-8', unit: '%' }, toleranceMet: false }
  const calibration = { calibration: 'CAL-A', performedAt: iso(line.now() - 1), dueOn: '2027-03-16', asFound: [error] }
  created(await line.service.administrator.post('/v1/calibrations', { ...calibration, instrument: 'INS-0031' }))
  const question = { kind: 'calibration-error', calibration: 'CAL-A' }
  created(await line.author.post('/v1/studies', { study: 'low', question }))
  while ((await studyPage(line.service.database)) === 'more') {}
  const { digest } = await rest('touch-8')
  const conclusion = { digest, conclusion: 'Two are tested again.', meaning: 'assessed' }
  expected(await line.approver.sign('/v1/studies/touch-8/assessment', conclusion), 200)
})
afterAll(() => line?.service.close())

const headers = { 'content-type': 'application/json', accept: 'application/graphql-response+json' }
const rest = async (path: string) => expected(await line.analyst.get(`/v1/studies/${path}`), 200).body
async function dataOf(query: string, variables?: Record<string, unknown>): Promise<Wire> {
  const { body } = expected(await line.analyst.post('/graphql', { query, variables }, headers), 200)
  expect(body.errors, JSON.stringify(body.errors)).toBeUndefined()
  return body.data
}
const nodesOf = (connection: Wire) => connection.edges.map(({ node }: Wire) => node)

const NUMBER = '{ value unit relation }'
const FINDING = `ordinal runId site station instrument startedAt product variant serial plan revision shipState
  verdictBefore verdictAfter measurements { step measurement kind verdictBefore verdictAfter judgedBefore ${NUMBER}
  judgedAfter ${NUMBER} limitUpperBefore ${NUMBER} limitUpperAfter ${NUMBER} limitLowerBefore ${NUMBER}
  limitLowerAfter ${NUMBER} margin ${NUMBER} reasons }`
const STUDY = `study question { __typename ... on RevisionChangeQuestion { kind plan from to testedFrom testedUntil }
  ... on CalibrationErrorQuestion { kind calibration } } state failure total done found digest askedAt askedBy endedAt
  counts { site product shipState verdictBefore verdictAfter count }
  assessment { digest conclusion meaning assessedAt assessedBy }`

/** What REST answers, in the words of the graph. */
function inGraph(value: Wire, member = ''): Wire {
  if (Array.isArray(value)) return value.map((one) => inGraph(one, member))
  if (typeof value !== 'object' || value === null) return WORDS.has(member) && value ? graphWord(value) : value
  const members = Object.entries(value).map(([name, inner]) => [name, inGraph(inner, name)])
  return { ...Object.fromEntries(members), ...('unit' in value ? { relation: value.relation ?? '=' } : {}) }
}
const WORDS = new Set(['state', 'shipState', 'verdictBefore', 'verdictAfter', 'kind'])

test('a study and its findings, as REST answers them, number for number', async () => {
  for (const study of ['touch-8', 'low']) {
    const data = await dataOf(
      `query($k: Key!) { study(study: $k) { ${STUDY} findings { edges { node { ${FINDING} } } } } }`,
      { k: study },
    )
    const { findings, question, ...rests } = data.study
    const { question: asked, ...told } = await rest(study)
    expect(rests).toEqual(inGraph(told))
    const { __typename, ...said } = question
    expect(said).toMatchObject(asked)
    expect(__typename).toBe(study === 'low' ? 'CalibrationErrorQuestion' : 'RevisionChangeQuestion')
    const { items } = await rest(`${study}/findings`)
    expect(nodesOf(findings)).toEqual(inGraph(items))
  }
  // 0.700 mA against 0.60, and 0.700 / 0.92 against 0.75: digits, never a binary number.
  const numbers =
    await dataOf(`{ eight: study(study: "touch-8") { found findings(first: 1) { edges { node { ...M } } } }
    low: study(study: "low") { found findings(first: 1) { edges { node { ...M } } } } }
    fragment M on StudyFinding { measurements { measurement judgedAfter { value } limitUpperAfter { value } margin { value } } }`)
  const first = (study: Wire) =>
    nodesOf(study.findings)[0].measurements.find(({ measurement }: Wire) => measurement === 'normal-open')
  expect(numbers.eight.found).toBe(3)
  expect(first(numbers.eight)).toEqual({
    measurement: 'normal-open',
    judgedAfter: { value: '0.700' },
    limitUpperAfter: { value: '0.60' },
    margin: { value: '-0.1' },
  })
  expect(first(numbers.low).judgedAfter.value).toBe('0.760869565217')
})

test('leads to the run, the unit and the revisions; what is not there is null', async () => {
  const data = await dataOf(`{ none: study(study: "none") { study } study(study: "touch-8") {
    question { ... on RevisionChangeQuestion { fromDetails { revision state } toDetails { revision digest } } }
    findings(first: 1) { edges { node { runId run { runId verdict } unit { serial release { releasable } }
      revisionDetails { revision } } } } } }`)
  const { question, findings } = data.study
  expect(data.none).toBeNull()
  expect(question).toMatchObject({ fromDetails: { revision: 7, state: 'APPROVED' }, toDetails: { revision: 8 } })
  const [first] = nodesOf(findings)
  expect(first).toMatchObject({
    run: { runId: first.runId, verdict: 'PASS' },
    unit: { serial: 'EX36-26-000004', release: { releasable: true } },
    revisionDetails: { revision: 7 },
  })
})

test('pages: studies the last asked first; a cursor of findings goes on in REST, and under its own study only', async () => {
  const query = `query($after: String) { studies(first: 3, after: $after) { pageInfo { hasNextPage endCursor }
    edges { node { study findings(first: 2) { pageInfo { hasNextPage endCursor } edges { node { ordinal } } } } } } }`
  const { studies } = await dataOf(query)
  expect(nodesOf(studies).map(({ study }: Wire) => study)).toEqual(['low', 'touch-10', 'touch-9'])
  expect(studies.pageInfo.hasNextPage).toBe(true)
  const rests = await dataOf(query, { after: studies.pageInfo.endCursor })
  expect(nodesOf(rests.studies).map(({ study }: Wire) => study)).toEqual(['touch-8'])
  const [low, ten] = nodesOf(studies)
  const { items } = await rest(`low/findings?cursor=${low.findings.pageInfo.endCursor}`)
  const all = (await rest('low/findings')).items
  expect(items).toEqual(all.slice(2))
  expect(nodesOf(low.findings).map(({ ordinal }: Wire) => ordinal)).toEqual(
    all.slice(0, 2).map(({ ordinal }: Wire) => ordinal),
  )
  const other = `{ study(study: "low") { findings(after: "${ten.findings.pageInfo.endCursor}") { edges { cursor } } } }`
  const { body } = await line.analyst.post('/graphql', { query: other }, headers)
  expect(body.errors[0].extensions.code).toBe('cursor-invalid')
})

test('statements do not grow with studies or findings, and what is too dear is refused', async () => {
  const query = `query($n: Int, $m: Int) { studies(first: $n) { edges { node { ${STUDY}
    details: question { ... on RevisionChangeQuestion { toDetails { digest } } }
    findings(first: $m) { edges { node { ${FINDING} run { verdict } unit { release { releasable } } revisionDetails { digest } } } } } } } }`
  // Plain, then compiled.
  for (const _ of [1, 2, 3]) await dataOf(query, { n: 4, m: 4 })
  const few = await statementsOf(() => dataOf(query, { n: 2, m: 1 }))
  const many = await statementsOf(() => dataOf(query, { n: 4, m: 4 }))
  expect(few).toBeGreaterThan(1)
  expect(many).toBeLessThanOrEqual(few)
  expect(many).toBeLessThan(30)
  const { body } = await line.analyst.post('/graphql', { query, variables: { n: 100, m: 100 } }, headers)
  expect(body.errors[0].extensions.code).toBe('query-too-large')
})
