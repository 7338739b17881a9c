import { getIntrospectionQuery } from 'graphql'
import { auditServer } from 'graphql-http'
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest'
import { buildApp } from '../../src/app.ts'
import { receivedClock } from '../../src/platform/clock.ts'
import { createLog } from '../../src/platform/http/server.ts'
import { problemType } from '../../src/platform/problems.ts'
import { type Line, openLine } from '../support/line.ts'
import type { Answer, Client } from '../support/service.ts'
import { statementsOf } from '../support/statements.ts'

let line: Line
let accepted: Answer
let failed: Answer
let rejected: Answer

beforeAll(async () => {
  line = await openLine()
  await line.approve(8, 'at-once', (content) => {
    content.steps[1].limitUpper.value = '2.5'
  })
  await line.approve(9, '2027-01-01T00:00:00Z')
  const eight = (await line.analyst.get('/v1/plans/ex36-final/revisions/8')).body
  await line.program('PG-0193', { revision: 8, revisionDigest: eight.digest })
  const cites = { revision: 8, revisionDigest: eight.digest, programming: 'PG-0193' }
  const send = (change: Parameters<Line['upload']>[0] = () => undefined) =>
    line.send(line.upload((wire) => change(Object.assign(wire, cites))))
  line.setClock(line.now() + 120_000)
  accepted = await send()
  failed = await send((wire) => {
    wire.steps[0].measurements[0].reading.value = '900'
  })
  rejected = await send((wire) => {
    wire.serial = 'no such rule'
  })
  for (let more = 0; more < 6; more += 1) await send()
})
afterAll(() => line.service.close())

const headers = { 'content-type': 'application/json', accept: 'application/graphql-response+json' }
function ask(query: string, variables?: Record<string, unknown>, as: Client = line.analyst): Promise<Answer> {
  return as.post('/graphql', { query, variables }, headers)
}
async function dataOf(query: string, variables?: Record<string, unknown>): Promise<Answer['body']> {
  const { status, body } = await ask(query, variables)
  expect(body.errors, JSON.stringify(body.errors)).toBeUndefined()
  expect(status).toBe(200)
  return body.data
}
const rest = async (path: string) => (await line.analyst.get(path)).body
const nodesOf = (connection: Answer['body']) => connection.edges.map(({ node }: Answer['body']) => node)

describe('the rooms', () => {
  test('products and their versions, as REST answers them', async () => {
    const data = await dataOf(`{ product(product: "EX36") { product latestVersion versionInEffect recordedAt
      versionInEffectDetails { version digest content confirmedBy effectiveFrom productDetails { product } }
      versions { edges { cursor node { version state } } } plans { edges { node { plan } } } } }`)
    const { items } = await rest('/v1/products/EX36/versions')
    const { versionInEffectDetails, versions, plans, ...product } = data.product
    expect(product).toMatchObject({ product: 'EX36', latestVersion: 3, versionInEffect: 3 })
    expect(items[0]).toMatchObject({ content: versionInEffectDetails.content, digest: versionInEffectDetails.digest })
    expect(nodesOf(versions)).toEqual([{ version: 3, state: 'CONFIRMED' }])
    expect(nodesOf(plans)).toEqual([{ plan: 'ex36-final' }])
  })

  test('rule sets, tables and editions', async () => {
    const data = await dataOf(`{ ruleSets(first: 5) { edges { node { ruleSet tables tablesDetails { table latestEdition
      editionInEffectDetails { edition state warnings { code } } editions(first: 5) { edges { node { edition tableDetails { table } } } } } } } } }`)
    const [set] = nodesOf(data.ruleSets)
    expect(set.tables).toEqual(['appliance-strength', 'extractor-strength'])
    expect(set.tablesDetails.map(({ editionInEffectDetails }: Answer['body']) => editionInEffectDetails)).toEqual([
      { edition: 4, state: 'PUBLISHED', warnings: [] },
      { edition: 2, state: 'PUBLISHED', warnings: [] },
    ])
    expect(
      await dataOf('{ ruleTable(table: "no-such") { table } edition(table: "x", edition: 1) { edition } }'),
    ).toEqual({
      ruleTable: null,
      edition: null,
    })
  })

  test('plans with revisions, what each changes, finds, and where it is in force', async () => {
    const data = await dataOf(`{ plan(plan: "ex36-final") { latestRevision revisionsInForce productDetails { product }
      revisions(first: 2) { pageInfo { hasNextPage endCursor } edges { node { revision state digest content
        productVersionDetails { version } check { verdict editions } inForce { variant site from until }
        findings { edges { node { code severity from demanded } } } blocks { from }
        diff { from { revision } to { revision } tightened summary { tightened } changes { sentence kind from to changePercent } } } } } } }`)
    expect(data.plan).toMatchObject({ latestRevision: 9, revisionsInForce: [8], productDetails: { product: 'EX36' } })
    const [seven, eight] = nodesOf(data.plan.revisions)
    expect(seven).toMatchObject({ revision: 7, state: 'APPROVED', diff: null, check: { verdict: 'CONFORMS' } })
    expect(eight.content).toEqual((await rest('/v1/plans/ex36-final/revisions/8')).content)
    expect(eight.productVersionDetails).toEqual({ version: 3 })
    expect(eight.diff).toMatchObject({ from: { revision: 7 }, to: { revision: 8 }, tightened: true })
    expect(eight.diff.changes[0]).toMatchObject({
      kind: 'TIGHTENED',
      to: { value: '2.5', unit: 'mA', inclusive: true },
    })
    const told = await rest('/v1/plans/ex36-final/revisions/8/findings')
    expect(nodesOf(eight.findings).map(({ code }: Answer['body']) => code)).toEqual(
      told.items.map(({ code }: Answer['body']) => code.toUpperCase().replaceAll('-', '_')),
    )
    const { pageInfo } = data.plan.revisions
    expect(pageInfo.hasNextPage).toBe(true)
    // The lists are the same, so a cursor goes on in REST as well.
    const next = await rest(`/v1/plans/ex36-final/revisions?cursor=${pageInfo.endCursor}`)
    expect(next.items.map(({ revision }: Answer['body']) => revision)).toEqual([9])
    const further = await dataOf(
      `query($c: String) { plan(plan: "ex36-final") { revisions(after: $c) { pageInfo { hasNextPage hasPreviousPage } edges { node { revision } } } } }`,
      { c: pageInfo.endCursor },
    )
    expect(nodesOf(further.plan.revisions)).toEqual([{ revision: 9 }])
    expect(further.plan.revisions.pageInfo).toEqual({ hasNextPage: false, hasPreviousPage: true })
  })

  test('sites, stations, instruments, calibrations and programmings', async () => {
    const data =
      await dataOf(`{ sites(first: 3) { edges { node { site timeZone stations(first: 3) { edges { node { station linked
      instruments(first: 3) { edges { node { instrument until instrumentDetails { capabilities { programs { count } kinds { kind range { least unit } } }
        calibrations(first: 3) { edges { node { calibration dueOn } } } } } } }
      programmings(first: 3) { edges { node { programming keyedBy programs ending { reason } revisionDetails { revision } } } } } } } } } } }`)
    const [leeds, osaka] = nodesOf(data.sites)
    expect(osaka).toMatchObject({ site: 'osaka', timeZone: 'Asia/Tokyo' })
    const [two] = nodesOf(leeds.stations)
    expect(two).toMatchObject({ station: 'LDS-F2', linked: 'AUTOMATIC' })
    const [stood] = nodesOf(two.instruments)
    expect(stood.instrumentDetails.capabilities.kinds[0]).toEqual({
      kind: 'PROTECTIVE_BONDING',
      range: { least: '1', unit: 'A' },
    })
    expect(nodesOf(stood.instrumentDetails.calibrations)).toEqual([
      { calibration: 'CAL-2026-0118', dueOn: '2026-12-31' },
    ])
    expect(nodesOf(two.programmings)).toMatchObject([
      { programming: 'PG-0192', revisionDetails: { revision: 7 } },
      { programming: 'PG-0193', revisionDetails: { revision: 8 } },
    ])
  })

  test('runs with measurements, as REST answers them', async () => {
    expect([accepted.status, failed.status, rejected.status]).toEqual([201, 201, 422])
    const query = `query($id: Key!) { run(runId: $id) { outcome status verdict serial unit { serial release { releasable reasons { code } } }
      revisionDetails { revision } stationDetails { site } answer { verdict standing evidence attempt skewMs judgedBy { editions calibration }
        steps { step verdict measurements { measurement verdict judged { value unit relation } limitUpper { value unit } reasons { code facts sentence } } }
        release { releasable } action } } }`
    for (const { body } of [accepted, failed]) {
      const { run } = await dataOf(query, { id: body.runId })
      const told = await rest(`/v1/runs/${body.runId}`)
      expect(run).toMatchObject({
        outcome: 'ACCEPTED',
        revisionDetails: { revision: 8 },
        stationDetails: { site: 'leeds' },
      })
      expect(run.answer.verdict).toBe(told.verdict.toUpperCase())
      const measured = (steps: Answer['body']) =>
        steps.map(({ step, measurements }: Answer['body']) => [
          step,
          measurements.map(({ measurement, judged, reasons }: Answer['body']) => [
            measurement,
            judged?.value,
            reasons.length,
          ]),
        ])
      expect(measured(run.answer.steps)).toEqual(measured(told.steps))
      expect(run.answer.action).toBe(told.action)
      expect(run.unit.release.releasable).toBe(told.release.releasable)
    }
    const { run } = await dataOf(query, { id: rejected.body.runId })
    expect(run).toMatchObject({ outcome: 'REJECTED', status: 422, answer: { verdict: null, release: null } })
    expect(await dataOf(query, { id: 'none' })).toEqual({ run: null })
  })

  test('runs by filter, the latest first, and a unit by its serial', async () => {
    const data = await dataOf('{ runs(outcome: REJECTED) { edges { node { runId codes { code pointer } } } } }')
    expect(nodesOf(data.runs)).toEqual([
      { runId: rejected.body.runId, codes: [{ code: 'serial-not-allowed', pointer: '#/serial' }] },
    ])
    const serial = (await rest(`/v1/runs?limit=500`)).items.find(
      ({ runId }: Answer['body']) => runId === failed.body.runId,
    ).serial
    const { unit } = await dataOf(
      `query($s: Text!) { unit(product: "EX36", serial: $s) { serial productDetails { latestVersion } attempts { attempt verdict run { status } } release { releasable reasons { code action } } } }`,
      { s: serial },
    )
    expect(unit.attempts).toEqual([{ attempt: 1, verdict: 'FAIL', run: { status: 201 } }])
    expect(unit.release).toMatchObject({ releasable: false, reasons: [{ code: 'LATEST_RUN_FAIL' }] })
    const unknown = await dataOf(
      '{ unit(product: "EX36", serial: "EX36-26-999999") { attempts { runId } release { reasons { code } } } other: unit(product: "EX99", serial: "1") { serial } }',
    )
    expect(unknown).toEqual({ unit: { attempts: [], release: { reasons: [{ code: 'UNIT_UNKNOWN' }] } }, other: null })
  })
})

/** How many statements went to the database meanwhile, whoever sent them. */
describe('statements', () => {
  const everything = `query($n: Int) {
    runs(first: $n) { edges { node { runId stationDetails { siteDetails { name } } revisionDetails { check { verdict } blocks { from } }
      unit { attempts { run { status } } release { releasable } } answer { verdict steps { measurements { measurement } } release { releasable } } } } }
  }`
  const plans = `query($n: Int) { plan(plan: "ex36-final") { revisions(first: $n) { edges { node { revision
    planDetails { product } productVersionDetails { version } findings(first: 3) { edges { node { code } } } blocks { from } diff { tightened } check { verdict } } } } } }`
  const stations = `query($n: Int) { stations(first: $n) { edges { node { siteDetails { name } instruments(first: 5) { edges { node { instrumentDetails {
    calibrations(first: 5) { edges { node { calibration } } } } } } } programmings { edges { node { revisionDetails { revision } } } } } } } }`

  test.each([
    ['runs', everything, 2, 8],
    ['revisions', plans, 2, 3],
    ['stations', stations, 1, 3],
  ])('do not grow with the number of %s', async (_, query, few, many) => {
    // Twice, so that plain and compiled queries are both looked at, and what is remembered is.
    for (const _time of [1, 2, 3]) await dataOf(query, { n: many })
    const [ofFew, ofMany] = [
      await statementsOf(() => dataOf(query, { n: few })),
      await statementsOf(() => dataOf(query, { n: many })),
    ]
    expect(ofFew).toBeGreaterThan(1)
    expect(ofMany).toBeLessThanOrEqual(ofFew)
    expect(ofMany).toBeLessThan(45)
  })
})

describe('who may ask', () => {
  const query = '{ sites { edges { node { site } } } }'

  test('a person with any role', async () => {
    for (const person of [line.author, line.approver, line.analyst, line.service.administrator]) {
      expect((await ask(query, undefined, person)).status).toBe(200)
    }
  })

  test.each(['GET', 'POST'] as const)('nobody else: %s', async (method) => {
    const send = (token: string | undefined) =>
      line.service.client(token).send({
        method,
        url: method === 'GET' ? `/graphql?query=${encodeURIComponent(query)}` : '/graphql',
        headers,
        ...(method === 'GET' ? {} : { payload: JSON.stringify({ query }) }),
      })
    for (const [token, status, key] of [
      [undefined, 401, 'key-missing'],
      ['lk_nonsense', 401, 'key-invalid'],
      [line.station.token, 403, 'permission-missing'],
      [line.operator.token, 403, 'permission-missing'],
    ] as const) {
      const { status: got, body, headers: answered } = await send(token)
      expect([got, body.errors[0].extensions.code]).toEqual([status, key])
      expect(body.errors[0].extensions.problem).toMatchObject({
        type: problemType(key),
        status,
        requestId: answered['x-request-id'],
      })
      if (status === 401) expect(answered['www-authenticate']).toMatch(/^Bearer/)
    }
  })
})

describe('refusals', () => {
  const refused = async (query: string, variables?: Record<string, unknown>) => {
    const { status, body } = await ask(query, variables)
    return [status, body.errors?.[0]?.extensions.code, body.errors?.[0]?.message]
  }

  test.each([
    ['no document', '{ sites', 'query-invalid', /Syntax Error/],
    ['a field that is not there', '{ sites { edges { node { sight } } } }', 'query-invalid', /sight/],
    ['a mutation', 'mutation { approve }', 'query-invalid', /mutation/],
    [
      'a document sent as a tree',
      JSON.stringify({ kind: 'Document', definitions: [] }),
      'query-invalid',
      /Syntax Error/,
    ],
    ['a key that is none', '{ site(site: "a\\u0000b") { site } }', 'query-invalid', /no Key/],
    ['half a character', '{ unit(product: "EX36", serial: "\\ud800") { serial } }', 'query-invalid', /./],
    ['too many tokens', `{ ${'sites '.repeat(2_500)} }`, 'query-invalid', /tokens/],
    [
      'too many names',
      `{ ${Array.from({ length: 31 }, (_, n) => `a${n}: __typename`).join(' ')} }`,
      'query-too-large',
      /31 fields/,
    ],
    [
      'too deep',
      `{ plan(plan: "ex36-final") { ${'productDetails { plans(first: 1) { edges { node { '.repeat(5)}plan${' } } } }'.repeat(5)} } }`,
      'query-too-large',
      /12 deep/,
    ],
    [
      'too dear',
      '{ plans(first: 500) { edges { node { revisions(first: 500) { edges { node { digest } } } } } } }',
      'query-too-large',
      /points/,
    ],
  ])('%s', async (_, query, code, message) => {
    // The second time the executor knows the document already.
    for (const _time of [1, 2, 3]) {
      const [status, key, text] = await refused(query)
      expect([status, key]).toEqual([400, code])
      expect(text).toMatch(message)
    }
  })

  test('variables of another kind', async () => {
    const query = 'query($n: Int) { sites(first: $n) { edges { node { site } } } }'
    for (const _time of [1, 2, 3, 4]) {
      expect((await refused(query, { n: 'many' })).slice(0, 2)).toEqual([400, 'query-invalid'])
      await dataOf(query, { n: 1 })
    }
  })

  test('a page that is none says which member', async () => {
    for (const [query, code] of [
      ['{ sites(first: 0) { edges { cursor } } }', 'parameter-invalid'],
      ['{ sites(first: 501) { edges { cursor } } }', 'parameter-invalid'],
      ['{ sites(after: "x") { edges { cursor } } }', 'cursor-invalid'],
      ['{ plan(plan: "ex36-final") { revisions(after: "W10") { edges { cursor } } } }', 'cursor-invalid'],
    ] as const) {
      const { body } = await ask(query)
      expect([body.errors[0].extensions.code, body.errors[0].path[0]]).toEqual([
        code,
        query.includes('plan(') ? 'plan' : 'sites',
      ])
    }
  })

  test('a request that is no question', async () => {
    const send = (payload: string, type = 'application/json') =>
      line.analyst.send({ method: 'POST', url: '/graphql', headers: { ...headers, 'content-type': type }, payload })
    const codeOf = ({ status, body }: Answer) => [status, body.errors[0].extensions.code]
    expect(codeOf(await send('{"query":'))).toEqual([400, 'body-not-json'])
    expect(codeOf(await send('[{"query":"{ __typename }"}]'))).toEqual([400, 'query-invalid'])
    expect(codeOf(await send('{"query":7}'))).toEqual([400, 'query-invalid'])
    expect(codeOf(await send('{"query":"{ __typename }","operationName":"a b"}'))).toEqual([400, 'query-invalid'])
    expect(codeOf(await send('query', 'text/plain'))).toEqual([415, 'media-type-unsupported'])
    expect(codeOf(await send(JSON.stringify({ query: ' '.repeat(70_000) })))).toEqual([413, 'body-too-large'])
  })

  test('what nobody foresaw tells nothing but the request id', async () => {
    const { sql } = line.service.database
    const original = sql.query.bind(sql)
    const spy = vi
      .spyOn(sql, 'query')
      .mockImplementation((text, ...rest) =>
        text.includes('governance.rule_set ')
          ? Promise.reject(new Error('secret: rule_set at 10.0.0.7'))
          : original(text, ...rest),
      )
    try {
      for (const _time of [1, 2, 3]) {
        const { status, body, headers: answered } = await ask('{ ruleSets { edges { node { ruleSet } } } }')
        expect([status, body.data]).toEqual([200, null])
        expect(body.errors).toMatchObject([
          { path: ['ruleSets'], extensions: { code: 'unexpected', problem: { requestId: answered['x-request-id'] } } },
        ])
        expect(JSON.stringify(body)).not.toContain('secret')
      }
    } finally {
      spy.mockRestore()
    }
  })
})

test('a query is answered alike whether it is compiled or not', async () => {
  const parts = { received: receivedClock(line.service.clock), log: createLog('silent') }
  const app = await buildApp({
    services: { database: line.service.database, ...parts },
    log: parts.log,
    secretsKey: new Uint8Array(32),
    readiness: async () => ({ database: 'answers', migrations: 'applied', appendOnly: 'enforced' }),
    jit: 0,
  })
  const query = `query($n: Int, $with: Boolean = true) { plans(first: $n) { edges { cursor node { plan @include(if: $with) revisionsInForce
    newest: revisions(first: 1) { edges { node { ...R } } } revisions { edges { node { ...R state } } } } } } }
    fragment R on PlanRevision { revision check { verdict } diff { changes { sentence } } }`
  const plain = await app.server.inject({
    method: 'POST',
    url: '/graphql',
    headers: { ...headers, authorization: `Bearer ${line.analyst.token}` },
    payload: { query, variables: { n: 3 } },
  })
  expect(plain.json().data.plans.edges[0].node.newest.edges).toHaveLength(1)
  for (const _time of [1, 2, 3]) expect(await dataOf(query, { n: 3 })).toEqual(plain.json().data)
  const without = await dataOf(query, { n: 3, with: false })
  expect(without.plans.edges[0].node).not.toHaveProperty('plan')
  await app.server.close()
})

test('a document of several operations runs the one that is named, also compiled', async () => {
  const query = 'query Sites { sites { edges { node { site } } } } query Plans { plans { edges { node { plan } } } }'
  for (const operationName of ['Sites', 'Plans', 'Sites', 'Plans', 'Plans', 'Sites', 'Sites', 'Plans']) {
    const { status, body } = await line.analyst.post('/graphql', { query, operationName }, headers)
    expect(status).toBe(200)
    expect(Object.keys(body.data)).toEqual([operationName.toLowerCase()])
  }
  const { status, body } = await line.analyst.post('/graphql', { query, operationName: 'Other' }, headers)
  expect([status, body.errors[0].extensions.code]).toEqual([400, 'query-invalid'])
})

test('the questions of common tools about the schema are answered', async () => {
  const data = await dataOf(getIntrospectionQuery())
  expect(data.__schema.queryType.name).toBe('Query')
})

test('audits of GraphQL over HTTP: all that must or should be is', async () => {
  const url = await line.service.app.server.listen({ port: 0, host: '127.0.0.1' })
  const results = await auditServer({
    url: `${url}/graphql`,
    fetchFn: (input: string, init: RequestInit = {}) => {
      const sent = new Headers(init.headers)
      sent.set('authorization', `Bearer ${line.analyst.token}`)
      return fetch(input, { ...init, headers: sent })
    },
  })
  const poor = results
    .filter(({ status }) => status === 'error' || status === 'warn')
    .map(({ name, status }) => `${status}: ${name}`)
  expect(results.length).toBeGreaterThan(50)
  expect(poor).toEqual([])
})
