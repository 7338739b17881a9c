import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { changed } from './plans/aldermoor.ts'
import { ex36, extractorStrength, planWire } from './support/aldermoor.ts'
import { created, expected, type PersonClient, startTestService, type TestService } from './support/service.ts'

/** What product versions, editions and plan revisions have alike over HTTP. */

let service: TestService
let author: PersonClient
let approver: PersonClient
let productDigest: string

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0100', ['author'])
  approver = await service.addPerson('P-0101', ['approver'])
  const site = { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt: '2020-01-01T00:00:00Z' }
  created(await service.administrator.post('/v1/sites', site))
  const version = created(await author.post('/v1/products/EX36/versions', { content: ex36(), changeReason: 'cord' }))
  productDigest = version.body.digest
  const confirmation = { digest: productDigest, meaning: 'as built' }
  expected(await approver.sign('/v1/products/EX36/versions/3/confirmation', confirmation), 200)
})
afterAll(() => service.close())

const changeReason = 'as measured on the line'
const kinds = [
  {
    kind: 'product version',
    list: '/v1/products/EX36/versions',
    draft: (version: number) => ({ content: ex36({ version }), changeReason }),
  },
  {
    kind: 'edition',
    list: '/v1/rule-tables/extractor-strength/editions',
    draft: (edition: number) => ({ content: extractorStrength({ edition }), changeReason }),
  },
  {
    kind: 'plan revision',
    list: '/v1/plans/ex36-final/revisions',
    draft: (revision: number) => ({
      content: changed(planWire, { '/revision': revision, '/productDigest': productDigest }),
      changeReason,
    }),
  },
]

describe.each(kinds)('a $kind', ({ list, draft }) => {
  test('is tagged while it is a draft, and no more once its state can change under an unchanged digest', async () => {
    const { digest } = created(await author.post(list, draft(11))).body
    const path = `${list}/11`
    const tag = `"${digest}"`
    const read = expected(await author.get(path), 200)
    expect(read.headers['etag']).toBe(tag)
    expect((await author.get(path, { 'if-none-match': tag })).status).toBe(304)
    const submitted = expected(await author.post(`${path}/submission`, { digest }), 200)
    expect(submitted.body).toMatchObject({ state: 'in-review', digest })
    const again = expected(await author.get(path, { 'if-none-match': tag }), 200)
    expect(again.body).toMatchObject({ state: 'in-review', digest })
    expect([submitted, again].map(({ headers }) => headers['etag'])).toEqual([undefined, undefined])
    const late = await author.put(path, draft(11), { 'if-match': tag })
    expect(late).toMatchObject({ status: 409, body: { state: 'in-review' } })
    expect(late.body.type).toMatch(/-locked$/)
  })

  test.each([
    ['without a body', 12, undefined],
    ['with a body that says nothing', 13, {}],
    ['with a null digest', 14, { digest: null }],
  ])('is submitted %s', async (_, number, body) => {
    created(await author.post(list, draft(number)))
    expect(expected(await author.post(`${list}/${number}/submission`, body), 200).body.state).toBe('in-review')
  })

  test('is not submitted where the digest is another, or none', async () => {
    created(await author.post(list, draft(15)))
    const stale = expected(await author.post(`${list}/15/submission`, { digest: `sha256:${'0'.repeat(64)}` }), 409).body
    expect(stale.type).toBe('urn:limitkeep:problem:digest-stale')
    const wrong = expected(await author.post(`${list}/15/submission`, { digest: 'x' }), 422).body
    expect(wrong.errors).toMatchObject([{ pointer: '#/digest' }])
    expect((await author.get(`${list}/15`)).body.state).toBe('draft')
  })

  test('is entered in the ledger under its own address', async () => {
    const subject = `${list}/11`.replace('/v1/', '')
    const rows = await service.database.sql.query<{ content: string }>(
      'SELECT content FROM intake.ledger_entries WHERE content LIKE $1 ORDER BY entry_id',
      [`%"subject":"${subject}"%`],
    )
    expect(rows.map(({ content }) => JSON.parse(content).action)).toEqual([
      expect.stringMatching(/^create/),
      expect.stringMatching(/^submit/),
    ])
  })
})
