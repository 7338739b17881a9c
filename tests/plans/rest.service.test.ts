import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { ensureChecked } from '../../src/plans/acts/ensure-checked.ts'
import { ex36, extractorStrength, planWire } from '../support/aldermoor.ts'
import {
  type Client,
  created,
  expected,
  type PersonClient,
  startTestService,
  submitWithReasons,
  type TestService,
} from '../support/service.ts'
import { type Changes, changed } from './aldermoor.ts'

/** The routes of plans over HTTP, in the order of a plan's life. The acts themselves are tested in acts.service.test.ts. */

let service: TestService
let author: PersonClient
let coAuthor: PersonClient
let approver: PersonClient
let technician: Client
let productDigest: string

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0100', ['author'])
  coAuthor = await service.addPerson('P-0102', ['author', 'approver'])
  approver = await service.addPerson('P-0101', ['approver'])
  technician = await service.addPerson('P-0417', [])
  const site = { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt: '2020-01-01T00:00:00Z' }
  created(await service.administrator.post('/v1/sites', site))
  const draft = { content: ex36(), changeReason: 'first' }
  productDigest = created(await author.post('/v1/products/EX36/versions', draft)).body.digest
  const confirmation = { digest: productDigest, meaning: 'as built' }
  expected(await approver.sign('/v1/products/EX36/versions/3/confirmation', confirmation), 200)
  const edition = created(
    await author.post('/v1/rule-tables/extractor-strength/editions', {
      content: extractorStrength(),
      changeReason: 'first',
    }),
  ).body
  const publication = {
    digest: edition.digest,
    effectiveFrom: 'at-once',
    meaning: 'in effect',
    bindsBecause: 'house rule',
  }
  expected(await approver.sign('/v1/rule-tables/extractor-strength/editions/3/publication', publication), 200)
})
afterAll(() => service.close())

const REVISIONS = '/v1/plans/ex36-final/revisions'
const body = (changes: Changes = {}) => ({
  content: changed(planWire, { '/productDigest': productDigest, ...changes }),
  changeReason: 'limit for the 5 m cord added',
})
const withdrawal = { reason: 'test' }

describe('the life of a plan', () => {
  test('a draft is created with its address and tag, and refused by name where it is not sound', async () => {
    const answer = created(await author.post(REVISIONS, body({ '/revision': 5 })))
    expect(answer.headers).toMatchObject({
      location: '/v1/plans/ex36-final/revisions/5',
      etag: `"${answer.body.digest}"`,
    })
    expect(answer.body).toMatchObject({ state: 'draft', authors: ['P-0100'], inForce: [], check: null })
    expect((await author.get(`${REVISIONS}/5`)).headers.etag).toBe(`"${answer.body.digest}"`)

    const wrong: [Changes, string][] = [
      [{ '/steps/0/kind': 'look' }, '#/content/steps/0/kind'],
      [{ '/decisionRule/kind': 'guarded' }, '#/content/steps/0/guardBand'],
      [{ '/rounding/kind': 'significant' }, '#/content/rounding/kind'],
      [{ '/evidenceFrom': 'runs' }, '#/content/evidenceFrom'],
      [{ '/steps/2/basis': 'corrected' }, '#/content/steps/2/basis'],
      [{ '/steps/1/tripCurrent/unit': 'ma' }, '#/content/steps/1/tripCurrent/unit'],
      [{ '/steps/1/testVoltage/least': 'NaN' }, '#/content/steps/1/testVoltage/least'],
      [{ '/colour': 'red' }, '#/content/colour'],
      [{ '/sites': ['hull'] }, '#/content/sites/0'],
    ]
    for (const [changes, pointer] of wrong) {
      const refused = expected(await author.post(REVISIONS, body({ '/revision': 6, ...changes })), 422)
      expect(refused.body.type).toBe('urn:limitkeep:problem:field-invalid')
      expect(refused.body.errors.map((error: { pointer: string }) => error.pointer)).toContain(pointer)
    }
    const noReason = { ...body({ '/revision': 6 }), changeReason: null }
    expect(expected(await author.post(REVISIONS, noReason), 422).body.errors).toMatchObject([
      { pointer: '#/changeReason' },
    ])
  })

  test('numbers in a draft may be JSON numbers: the digest is over their own digits', async () => {
    const text = JSON.stringify(body({ '/revision': 5 })).replace('"value":"5.0"', '"value":5.0')
    const replaced = expected(
      await author.send({
        method: 'PUT',
        url: `${REVISIONS}/5`,
        headers: { 'content-type': 'application/json', 'if-match': '*' },
        payload: text,
      }),
      200,
    )
    expect(replaced.body.content.steps[1].tripCurrent.value).toBe('5.0')
  })

  test('a draft is replaced only with If-Match, and one in review no more', async () => {
    const { digest } = (await author.get(`${REVISIONS}/5`)).body
    const next = body({ '/revision': 5, '/attemptsWithoutCauseMax': 3 })
    expect(expected(await coAuthor.put(`${REVISIONS}/5`, next), 428).body.type).toContain('precondition-missing')
    expect(expected(await coAuthor.put(`${REVISIONS}/5`, next, { 'if-match': '"sha256:0"' }), 412).status).toBe(412)
    const replaced = expected(await coAuthor.put(`${REVISIONS}/5`, next, { 'if-match': `"${digest}"` }), 200)
    expect(replaced.body.authors).toEqual(['P-0100', 'P-0102'])
    expect(replaced.headers.etag).toBe(`"${replaced.body.digest}"`)
    expected(
      await author.put(`${REVISIONS}/5`, body({ '/revision': 5 }), { 'if-match': replaced.headers.etag as string }),
      200,
    )
  })

  test('an approval belongs to exact content and to a second person', async () => {
    const draft = (await author.get(`${REVISIONS}/5`)).body
    const submitted = expected(await author.post(`${REVISIONS}/5/submission`, { digest: draft.digest }), 200).body
    expect(submitted).toMatchObject({
      state: 'in-review',
      check: { verdict: 'conforms', editions: ['extractor-strength/3'] },
    })
    const approval = { digest: submitted.digest, inForceFrom: 'at-once', meaning: 'fit for use' }
    expect(expected(await approver.post(`${REVISIONS}/5/approval`, {}), 422).status).toBe(422)
    expect(expected(await coAuthor.sign(`${REVISIONS}/5/approval`, approval), 403).body.type).toContain(
      'two-people-required',
    )
    const stale = { ...approval, digest: `sha256:${'0'.repeat(64)}` }
    expect(expected(await approver.sign(`${REVISIONS}/5/approval`, stale), 409).body.type).toContain('digest-stale')
    const passed = { ...approval, inForceFrom: '2020-01-01T00:00:00Z' }
    const refused = expected(await approver.sign(`${REVISIONS}/5/approval`, passed), 409).body
    expect(refused.errors).toMatchObject([{ pointer: '#/inForceFrom' }])
    expect(
      expected(await approver.sign(`${REVISIONS}/5/approval`, { ...approval, inForceFrom: '2030-01-01' }), 422).body
        .errors,
    ).toMatchObject([{ pointer: '#/inForceFrom' }])
    const approved = expected(
      await approver.sign(`${REVISIONS}/5/approval`, { ...approval, comment: 'seen on the line' }),
      200,
    ).body
    expect(approved).toMatchObject({
      state: 'approved',
      approvedBy: 'P-0101',
      approvedMeaning: 'fit for use',
      approvedComment: 'seen on the line',
      findings: ['bond', 'insulation', 'touch'].map((step) => ({ severity: 'warning', code: 'rules-silent', step })),
    })
    expect(approved.inForce).toMatchObject([
      { variant: 'EX36-3M', site: 'leeds', from: approved.inForceFrom, until: null },
      { variant: 'EX36-5M', site: 'leeds', from: approved.inForceFrom, until: null },
    ])
    const current = (await author.get(`${REVISIONS}/5`)).body
    const { findings: _findings, ...revision } = approved
    expect(current).toEqual(revision)
    const again = await author.put(`${REVISIONS}/5`, body({ '/revision': 5 }), { 'if-match': `"${draft.digest}"` })
    expect(expected(again, 409).body.type).toContain('revision-locked')
  })

  test('a refused submission tells its findings; the draft’s findings are read in pages', async () => {
    const low = { '/revision': 6, '/steps/1/testVoltage/least': '900', '/steps/1/openLeadMinimum/value': '1.2' }
    const draft = created(await author.post(REVISIONS, body(low))).body
    const refused = expected(await submitWithReasons(author, `${REVISIONS}/6`, draft.digest), 409).body
    expect(refused.type).toBe('urn:limitkeep:problem:findings-block')
    const codes = refused.findings.map(({ code }: { code: string }) => code)
    expect(codes).toContain('requirement-not-met')
    expect(codes).toContain('open-lead-minimum-above-expected')
    const all = expected(await author.get(`${REVISIONS}/6/findings`), 200).body
    // The refusal tells those that block.
    const warnings = all.items.filter(({ severity }: { severity: string }) => severity === 'warning')
    expect(warnings.map(({ code, step }: { code: string; step: string }) => `${code} ${step}`)).toEqual(
      ['bond', 'insulation', 'touch'].map((step) => `rules-silent ${step}`),
    )
    expect(all.items).toHaveLength(codes.length + warnings.length)
    expect(all.check).toMatchObject({
      verdict: 'blocked',
      blockingCount: codes.length,
      editions: ['extractor-strength/3'],
    })
    const paged: unknown[] = []
    let path: string | null = `${REVISIONS}/6/findings?limit=1`
    while (path !== null) {
      const page: { items: unknown[]; nextCursor: string | null } = expected(await author.get(path), 200).body
      paged.push(...page.items)
      path = page.nextCursor === null ? null : `${REVISIONS}/6/findings?limit=1&cursor=${page.nextCursor}`
    }
    const undated = (items: { from: string }[]) => items.map(({ from: _from, ...rest }) => rest)
    expect(undated(paged as { from: string }[])).toEqual(undated(all.items))
    expect(expected(await author.get(`${REVISIONS}/6/findings?cursor=abc`), 400).body.type).toContain('cursor-invalid')
  })

  test('a later publication blocks it; findings and blocks say since when and by what', async () => {
    const rows = extractorStrength().rows.map((row) => (row.row === 'b4' ? { ...row, then: ['1800', '1', '10'] } : row))
    const content = extractorStrength({ edition: 4, rows })
    const table = '/v1/rule-tables/extractor-strength/editions'
    const { digest } = created(await author.post(table, { content, changeReason: 'more voltage' })).body
    const request = { digest, effectiveFrom: 'at-once', meaning: 'in effect', bindsBecause: 'house rule' }
    const published = expected(await approver.sign(`${table}/4/publication`, request), 200).body
    await ensureChecked(service.database, [{ plan: 'ex36-final', revision: 5 }])
    const blocks = expected(await author.get(`${REVISIONS}/5/blocks`), 200).body
    expect(blocks).toMatchObject({
      items: [{ from: published.effectiveFrom, until: null, causeVersion: published.rulesVersion }],
      nextCursor: null,
    })
    expect(blocks.items[0].causes).toEqual(['requirement-not-met extractor-strength/4 b4'])
    const findings = expected(await author.get(`${REVISIONS}/5/findings`), 200).body
    expect(findings.check).toMatchObject({ rulesVersion: published.rulesVersion, verdict: 'blocked' })
    const [blocking] = findings.items.filter(({ severity }: { severity: string }) => severity === 'blocking')
    expect(blocking).toMatchObject({
      from: published.effectiveFrom,
      until: null,
      demanded: { value: '1800', unit: 'V' },
      accepted: { least: '1200', most: '1287.5', unit: 'V' },
    })
  })

  test('one person withdraws; a member from is refused by name', async () => {
    const reaching = { ...withdrawal, from: '2026-03-16T00:00:00Z' }
    expect(expected(await author.post(`${REVISIONS}/5/withdrawal`, reaching), 422).body.errors).toMatchObject([
      { pointer: '#/from' },
    ])
    const withdrawn = expected(await author.post(`${REVISIONS}/5/withdrawal`, withdrawal), 200).body
    expect(withdrawn).toMatchObject({ state: 'withdrawn', withdrawnBy: 'P-0100', withdrawnReason: 'test' })
    expect(expected(await author.post(`${REVISIONS}/5/withdrawal`, withdrawal), 409).body.type).toContain(
      'state-conflict',
    )
  })
})

describe('what is asked', () => {
  test('plans and revisions come in pages', async () => {
    const plans = expected(await approver.get('/v1/plans'), 200).body
    expect(plans.items).toMatchObject([
      { plan: 'ex36-final', product: 'EX36', operation: 'final', latestRevision: 6, revisionsInForce: [] },
    ])
    expect(expected(await approver.get('/v1/plans/ex36-final'), 200).body).toEqual(plans.items[0])
    const first = expected(await approver.get(`${REVISIONS}?limit=1`), 200)
    expect(first.body.items.map(({ revision }: { revision: number }) => revision)).toEqual([5])
    expect(first.headers.link).toContain('rel="next"')
    const second = expected(await approver.get(`${REVISIONS}?limit=1&cursor=${first.body.nextCursor}`), 200)
    expect(second.body).toMatchObject({ items: [{ revision: 6 }], nextCursor: null })
  })

  test('what is not there is said to be so', async () => {
    for (const path of ['/v1/plans/nowhere', '/v1/plans/nowhere/revisions']) {
      expect(expected(await author.get(path), 404).body.type).toContain('plan-not-found')
    }
    for (const path of ['', '/findings', '/blocks']) {
      expect(expected(await author.get(`${REVISIONS}/99${path}`), 404).body.type).toContain('revision-not-found')
    }
    expect(expected(await author.get(`${REVISIONS}/0x10`), 400).body.type).toContain('parameter-invalid')
  })

  test('only those may who may', async () => {
    const digest = { digest: `sha256:${'0'.repeat(64)}` }
    const approval = { ...digest, inForceFrom: 'at-once', meaning: 'fit' }
    const refused = [
      await technician.get('/v1/plans'),
      await technician.post(REVISIONS, body({ '/revision': 9 })),
      await approver.post(REVISIONS, body({ '/revision': 9 })),
      await approver.post(`${REVISIONS}/6/submission`, digest),
      await author.post(`${REVISIONS}/6/approval`, approval),
      await technician.post(`${REVISIONS}/6/withdrawal`, withdrawal),
      await service.administrator.post(`${REVISIONS}/6/withdrawal`, withdrawal),
    ]
    expect(refused.map(({ status }) => status)).toEqual(Array(refused.length).fill(403))
    expect((await service.client(undefined).get('/v1/plans')).status).toBe(401)
  })
})
