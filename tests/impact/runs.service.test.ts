import { afterAll, beforeAll, expect, test } from 'vitest'
import { impactPage } from '../../src/impact/acts-step.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { studyPage } from '../../src/studies/acts-step.ts'
import { extractorStrength } from '../support/aldermoor.ts'
import { applianceStrength, iso, type Line, openLine, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

/** Runs of Aldermoor Works (invented), and rules of touch current of which each number is invented as well. */
let line: Line
const READINGS = ['0.350', '0.650', '0.300', '0.601', '0.600', '0.700', '0.760']
const REASON = 'house rule of Aldermoor Works'

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 120_000)
  for (const touch of READINGS) {
    const upload = line.upload((wire: Wire) => {
      delete wire.stationVerdict
      for (const step of wire.steps) delete step.stationVerdict
      wire.steps.find(({ step }: Wire) => step === 'touch').measurements[1].reading.value = touch
    })
    created(await line.send(upload))
    line.setClock(line.now() + 60_000)
  }
  const body = { eventKey: 'SHP-1', site: 'leeds', event: 'shipped', at: iso(line.now() - 1) }
  created(await line.analyst.post('/v1/units/EX36/EX36-26-000002/events', body))
})
afterAll(() => line?.service.close())

function touchTable(table: string, most: string, change: Partial<EditionContent> = {}): EditionContent {
  const [source] = extractorStrength().sources
  if (source === undefined) throw new Error('the extractors have a source')
  return {
    table,
    edition: 1,
    title: 'Routine touch current',
    ruleSet: 'aldermoor-routine',
    subject: 'touch-current',
    hitPolicy: 'C',
    inputs: [],
    outputs: [{ parameter: 'limitUpper', relation: '<=', unit: 'mA' }],
    rows: [{ row: 't1', when: [], then: [most] }],
    sources: [{ ...source, rows: ['t1'] }],
    ...change,
  }
}

const pathOf = ({ table, edition }: EditionContent) => `/v1/rule-tables/${table}/editions/${edition}`
const draft = async (content: EditionContent) =>
  created(
    await line.author.post(`/v1/rule-tables/${content.table}/editions`, { content, changeReason: 'gone through' }),
  ).body
const ask = (content: EditionContent, body: unknown = { bindsBecause: REASON }) =>
  line.author.post(`${pathOf(content)}/impact`, body)
const read = async (path: string) => expected(await line.analyst.get(path), 200).body

async function work(): Promise<void> {
  while ((await studyPage(line.service.database, { judged: 3, counted: 3 })) === 'more') {}
  while ((await impactPage(line.service.database)) === 'more') {}
}

test('stored runs that would fail, by product, site and ship state; the publication repeats the figures', async () => {
  const content = touchTable('appliance-touch', '0.60')
  const { digest } = await draft(content)
  const asked = created(await ask(content))
  const { impact, study } = asked.body
  expect(asked.headers['location']).toBe(`/v1/impacts/${impact}`)
  expect(asked.body).toMatchObject({
    table: 'appliance-touch',
    digest,
    effectiveFrom: null,
    bindsBecause: REASON,
    state: 'studying',
    current: true,
    revisionsTotal: 1,
    revisionsChecked: 1,
    revisionsBlocked: 1,
    runsAffected: null,
    findings: [{ ordinal: 1, kind: 'revision-blocked', plan: 'ex36-final', revision: 7, permit: null, until: null }],
  })
  expect(await read(`/v1/studies/${study}`)).toMatchObject({
    state: 'queued',
    question: { kind: 'edition-change', digest },
  })
  await work()
  expect(await read(`/v1/impacts/${impact}`)).toMatchObject({ state: 'done', runsAffected: 3 })
  const done = await read(`/v1/studies/${study}`)
  const count = { site: 'leeds', product: 'EX36', verdictBefore: 'pass', verdictAfter: 'fail' }
  // 0.760 failed already.
  expect(done).toMatchObject({
    state: 'done',
    total: READINGS.length,
    found: 3,
    counts: [
      { ...count, shipState: 'in-plant', count: 2 },
      { ...count, shipState: 'shipped', count: 1 },
    ],
  })
  const { items } = await read(`/v1/studies/${study}/findings`)
  const judged = items.map(({ measurements }: Wire) => measurements[0].judgedAfter.value)
  const byHand = READINGS.filter((one) => Number(one) <= 0.75 && Number(one) > 0.6)
    .sort()
    .reverse()
  expect(judged).toEqual(byHand)
  expect(items[0].measurements[0]).toMatchObject({
    limitUpperBefore: { value: '0.75', unit: 'mA' },
    limitUpperAfter: { value: '0.6', unit: 'mA' },
    margin: { value: '-0.1', unit: 'mA' },
  })

  const query = `query Asked($impact: Key!) { impact(impact: $impact) {
    state revisionsBlocked runsAffected editionDetails { state } studyDetails { found question { ... on EditionChangeQuestion { table editionDetails { digest } } } }
    findings(first: 1) { edges { node { kind from revisionDetails { digest } findings { parameter demanded margin } } } } } }`
  const { body } = await line.analyst.post('/graphql', { query, variables: { impact } })
  expect(body.data.impact).toMatchObject({
    state: 'DONE',
    revisionsBlocked: 1,
    runsAffected: 3,
    editionDetails: { state: 'DRAFT' },
    studyDetails: { found: 3, question: { table: 'appliance-touch', editionDetails: { digest } } },
    findings: {
      edges: [
        {
          node: {
            kind: 'REVISION_BLOCKED',
            revisionDetails: { digest: line.revisionDigest },
            findings: [
              {
                parameter: 'limitUpper',
                demanded: { value: '0.6', unit: 'mA' },
                margin: { value: '-0.15', unit: 'mA' },
              },
              expect.anything(),
            ],
          },
        },
      ],
    },
  })

  const publication = { digest, effectiveFrom: 'at-once', meaning: 'read and published', bindsBecause: REASON }
  const published = expected(await line.approver.sign(`${pathOf(content)}/publication`, publication), 200).body
  const figures = {
    impact,
    state: 'done',
    rulesVersion: asked.body.rulesVersion,
    current: true,
    revisionsBlocked: 1,
    revisionsUnapprovable: 0,
    revisionsUncheckable: 0,
    permitsBeyond: 0,
    runsAffected: 3,
  }
  expect(published).toMatchObject({ state: 'published', impact: figures })
  const entries = await line.service.database.sql.query<{ content: string }>(
    "SELECT content FROM intake.ledger_entries WHERE site_id = '*'",
  )
  const entry = entries
    .map((one) => JSON.parse(one.content))
    .find(({ action, subject }) => action === 'publishEdition' && subject.includes('appliance-touch'))
  expect(entry.facts.impact).toEqual(figures)
  expect((await read(`/v1/impacts/${impact}`)).current).toBe(false)
  expect((await ask(content)).body.type).toBe('urn:limitkeep:problem:state-conflict')
})

test('a table that gives way to a special one demands nothing where the special one applies', async () => {
  const overrides = [{ table: 'appliance-touch', parameter: 'limitUpper', reason: 'made for them' }] as const
  const special = touchTable('extractor-touch', '0.74', { overrides: [...overrides] })
  await line.publish(special)
  const content = touchTable('appliance-touch', '0.50', { edition: 2 })
  await draft(content)
  const { impact } = created(await ask(content)).body
  await work()
  expect(await read(`/v1/impacts/${impact}`)).toMatchObject({ state: 'done', runsAffected: 0 })
  const alone = { ...touchTable('plain-touch', '0.50') }
  await draft(alone)
  const other = created(await ask(alone)).body
  await work()
  expect(await read(`/v1/impacts/${other.impact}`)).toMatchObject({ state: 'done', runsAffected: 4 })
})

test('says nothing of a publication that is another, or was never asked about', async () => {
  const content = touchTable('plain-touch', '0.50')
  const { digest } = await read(pathOf(content))
  const later = iso(line.now() + 86_400_000)
  const publication = { digest, effectiveFrom: later, meaning: 'read and published', bindsBecause: REASON }
  const { impact } = expected(await line.approver.sign(`${pathOf(content)}/publication`, publication), 200).body
  expect(impact).toMatchObject({ current: false, runsAffected: 4 })
  line.setClock(line.now() + 60_000)
  expect((await line.publish(applianceStrength({ edition: 5 }))).body.impact).toBeNull()
})

test('tells no number of runs where its study was ended early', async () => {
  const content = touchTable('ended-touch', '0.50')
  await draft(content)
  const { impact, study } = created(await ask(content)).body
  expected(await line.author.post(`/v1/studies/${study}/cancellation`), 200)
  await work()
  expect(await read(`/v1/impacts/${impact}`)).toMatchObject({ state: 'done', runsAffected: null })
})

test('what is asked must be there and to come', async () => {
  const content = touchTable('late-touch', '0.50')
  expect((await ask(content)).body.type).toBe('urn:limitkeep:problem:edition-not-found')
  await draft(content)
  const passed = await ask(content, { effectiveFrom: '2026-01-01T00:00:00Z' })
  expect([passed.body.type, passed.body.errors[0].pointer]).toEqual([
    'urn:limitkeep:problem:effective-instant-passed',
    '#/effectiveFrom',
  ])
  const blank = await ask(content, { bindsBecause: ' ' })
  expect([blank.status, blank.body.errors[0].pointer]).toEqual([422, '#/bindsBecause'])
  expect((await line.analyst.post(`${pathOf(content)}/impact`, {})).status).toBe(403)
  // Who is to sign asks as well as who wrote it.
  expect(created(await line.approver.post(`${pathOf(content)}/impact`, {})).body.askedBy).toBe('P-0201')
  expect((await line.analyst.get('/v1/impacts/none')).status).toBe(404)
  expect((await line.analyst.get('/v1/impacts/none/findings')).status).toBe(404)
  // Without a body: at once, and nothing binds by a stated reason.
  expect(created(await ask(content, null)).body).toMatchObject({
    effectiveFrom: null,
    bindsBecause: null,
    revisionsBlocked: 0,
  })
  const question = { kind: 'edition-change', table: 'late-touch', edition: 1, digest: `sha256:${'0'.repeat(64)}` }
  const stale = await line.author.post('/v1/studies', { question })
  expect(stale.body.errors[0].pointer).toBe('#/question/digest')
  const nowhere = await line.author.post('/v1/studies', { question: { ...question, edition: 9 } })
  expect(nowhere.body.errors[0].pointer).toBe('#/question/edition')
})
