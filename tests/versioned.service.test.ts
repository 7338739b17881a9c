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
const meaning = 'read and signed'
const kinds = [
  {
    kind: 'product version',
    list: '/v1/products/EX36/versions',
    draft: (version: number) => ({ content: ex36({ version }), changeReason }),
    signing: 'confirmation',
    from: 'effectiveFrom',
  },
  {
    kind: 'edition',
    list: '/v1/rule-tables/extractor-strength/editions',
    draft: (edition: number) => ({ content: extractorStrength({ edition }), changeReason }),
    signing: 'publication',
    from: 'effectiveFrom',
  },
  {
    kind: 'plan revision',
    list: '/v1/plans/ex36-final/revisions',
    draft: (revision: number) => ({
      content: changed(planWire, { '/revision': revision, '/productDigest': productDigest }),
      changeReason,
    }),
    signing: 'approval',
    from: 'inForceFrom',
  },
]

describe.each(kinds)('a $kind', ({ list, draft, signing, from }) => {
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

  test('in review is sent back by one person, who says why; its number stays as it was read', async () => {
    const { digest } = created(await author.post(list, draft(16))).body
    const path = `${list}/16`
    const reason = 'the drawing shows another'
    expect(expected(await approver.post(`${path}/rejection`, { reason }), 409).body.state).toBe('draft')
    expected(await author.post(`${path}/submission`, { digest }), 200)
    const stale = { reason, digest: `sha256:${'0'.repeat(64)}` }
    expect(expected(await approver.post(`${path}/rejection`, stale), 409).body.type).toContain('digest-stale')
    expect(expected(await approver.post(`${path}/rejection`, { digest }), 422).body.errors[0].pointer).toBe('#/reason')
    const rejected = expected(await approver.post(`${path}/rejection`, { reason, digest }), 200).body
    expect(rejected).toMatchObject({ state: 'rejected', digest, rejectedBy: 'P-0101', rejectedReason: reason })
    expect((await author.get(path)).body).toEqual(rejected)
    expect(expected(await author.put(path, draft(16), { 'if-match': `"${digest}"` }), 409).body.type).toMatch(
      /-locked$/,
    )
    const signed = await approver.sign(`${path}/${signing}`, { digest, meaning, [from]: 'at-once' })
    expect(signed).toMatchObject({ status: 409, body: { state: 'rejected' } })
    created(await author.post(list, draft(17)))
  })

  test('is taken back before its instant by one person, and not after', async () => {
    const { digest } = created(await author.post(list, draft(18))).body
    const path = `${list}/18`
    const reason = 'not needed after all'
    expected(await author.post(`${path}/submission`, { digest }), 200)
    const later = new Date(service.now() + 3_600_000).toISOString()
    expected(await approver.sign(`${path}/${signing}`, { digest, meaning, [from]: later }), 200)
    const stale = { reason, digest: `sha256:${'0'.repeat(64)}` }
    expect(expected(await author.post(`${path}/cancellation`, stale), 409).body.type).toContain('digest-stale')
    const cancelled = expected(await author.post(`${path}/cancellation`, { reason }), 200).body
    expect(cancelled).toMatchObject({
      state: 'cancelled',
      cancelledBy: 'P-0100',
      cancelledReason: reason,
      [from]: later,
    })
    expect((await author.get(path)).body).toEqual(cancelled)
    expect((await author.post(`${path}/cancellation`, { reason })).status).toBe(409)

    const second = created(await author.post(list, draft(19))).body.digest
    expected(await author.post(`${list}/19/submission`, { digest: second }), 200)
    expected(await approver.sign(`${list}/19/${signing}`, { digest: second, meaning, [from]: 'at-once' }), 200)
    service.clock.shiftMs += 10
    const late = expected(await author.post(`${list}/19/cancellation`, { reason }), 409).body
    expect(late.detail).toContain('has taken effect')
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
