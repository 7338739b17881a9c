import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { lifecycle } from '../../src/rules/lifecycle.ts'
import { readPublished } from '../../src/rules/reads.ts'
import { editionsInEffect } from '../../src/rules/timeline.ts'
import type { EditionContent } from '../../src/rules/words.ts'
import { extractorStrength } from '../support/aldermoor.ts'
import {
  type Answer,
  created,
  expected,
  type PersonClient,
  startTestService,
  type TestService,
} from '../support/service.ts'

/** Above every rules version: SQL's integer. */
const RULES_MAX = 2_147_483_647

let service: TestService
let author: PersonClient
let approver: PersonClient
let both: PersonClient

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0101', ['author'])
  approver = await service.addPerson('P-0201', ['approver'])
  both = await service.addPerson('P-0301', ['author', 'approver'])
})

afterAll(() => service.close())

const path = (table: string, edition?: number, act?: string) =>
  ['/v1/rule-tables', table, 'editions', edition, act].filter((part) => part !== undefined).join('/')

const draft = (table: string, edition = 1, change: Partial<EditionContent> = {}) => ({
  content: extractorStrength({ table, edition, overrides: [], ...change }),
  ...(edition > 1 ? { changeReason: 'filter current of this family' } : {}),
})

const meaning = 'compared with house rule HR-7'
const bindsBecause = 'house rule, no standard names a value for this product'

async function write(table: string, edition = 1, change: Partial<EditionContent> = {}): Promise<string> {
  return created(await author.post(path(table), draft(table, edition, change))).body.digest
}

const publish = (table: string, edition: number, digest: string, more: object = {}, by = approver): Promise<Answer> =>
  by.sign(path(table, edition, 'publication'), { digest, meaning, effectiveFrom: 'at-once', ...more })

const pointersOf = ({ body }: Answer): string[] => body.errors.map(({ pointer }: { pointer: string }) => pointer)

describe('an edition from draft to publication', () => {
  test('is written, submitted, and published by a second person', async () => {
    const answer = created(await author.post(path('strength'), draft('strength')))
    expect(answer.headers['location']).toBe('/v1/rule-tables/strength/editions/1')
    const { digest } = answer.body
    expect(answer.headers['etag']).toBe(`"${digest}"`)
    expect(digest).toBe(digestOf(canonicalText(draft('strength').content)))
    expect(answer.body).toMatchObject({ state: 'draft', authors: ['P-0101'], publishedAt: null, bindsBecause: null })
    expect(expected(await author.post(path('strength', 1, 'submission'), { digest }), 200).body.state).toBe('in-review')

    const published = expected(await publish('strength', 1, digest, { bindsBecause }), 200).body
    expect(published).toMatchObject({
      state: 'published',
      publishedBy: 'P-0201',
      publishedMeaning: meaning,
      bindsBecause,
    })
    expect(Date.parse(published.effectiveFrom)).toBe(Date.parse(published.publishedAt) + 1)
    const { impact, ...edition } = published
    expect(impact).toBeNull()
    expect((await author.get(path('strength', 1))).body).toEqual(edition)
    expect((await author.get('/v1/rule-tables')).body.items).toContainEqual({
      table: 'strength',
      ruleSet: 'aldermoor-routine',
      recordedAt: expect.any(String),
      latestEdition: 1,
      editionInEffect: 1,
    })
    expect((await author.get('/v1/rule-sets')).body.items).toEqual([
      { ruleSet: 'aldermoor-routine', recordedAt: expect.any(String), tables: expect.arrayContaining(['strength']) },
    ])
  })

  test('raises the rules version and tells every site which table changed', async () => {
    const digest = await write('touched')
    const { rulesVersion } = expected(await publish('touched', 1, digest), 200).body
    const rows = await service.database.sql.query(
      `SELECT g.rules_version, c.kind, c.key FROM intake.gate g JOIN intake.gate_changes c USING (site_id, version) WHERE site_id = '*'`,
    )
    expect(rows).toEqual([{ rules_version: rulesVersion, kind: 'rules', key: 'touched' }])
    const entries = await service.database.sql.query<{ content: string }>(
      "SELECT content FROM intake.ledger_entries WHERE content LIKE '%rule-tables/touched/editions/1%' ORDER BY entry_id",
    )
    expect(entries.map(({ content }) => JSON.parse(content).action)).toEqual(['createEdition', 'publishEdition'])
  })

  test('publications are read as known at each rules version; what takes effect later waits', async () => {
    const [one, two] = [await write('timed', 1), await write('timed', 2)]
    const first = expected(await publish('timed', 1, one, { bindsBecause }), 200).body
    const effectiveFrom = new Date(service.now() + 3_600_000).toISOString()
    const second = expected(await publish('timed', 2, two, { effectiveFrom }), 200).body
    expect(second.effectiveFrom).toBe(effectiveFrom)
    expect(second.rulesVersion).toBe(first.rulesVersion + 1)
    const inEffect = async (at: number, knownVersion: number) => {
      const publications = await readPublished(service.database.sql, { after: 0, upTo: knownVersion })
      expect(publications.every(({ rulesVersion }) => rulesVersion <= knownVersion)).toBe(true)
      return editionsInEffect(publications, at, knownVersion).get('timed')
    }
    const at = Date.parse(effectiveFrom)
    expect((await inEffect(at - 1, second.rulesVersion))?.edition).toBe(1)
    expect(await inEffect(at, second.rulesVersion)).toMatchObject({ edition: 2, digest: two, bindsBecause: undefined })
    expect(await inEffect(at, first.rulesVersion)).toMatchObject({
      edition: 1,
      digest: one,
      bindsBecause,
      content: expect.stringContaining('"table":"timed"'),
    })
    expect(await inEffect(at, first.rulesVersion - 1)).toBeUndefined()
    const all = await readPublished(service.database.sql, { after: 0, upTo: RULES_MAX })
    expect(all.filter(({ table }) => table === 'timed').length).toBe(2)
    const since = await readPublished(service.database.sql, { after: first.rulesVersion, upTo: RULES_MAX })
    expect(since.map(({ table, edition }) => `${table}/${edition}`)).toEqual(['timed/2'])
  })
})

describe('an override of a table that is not there', () => {
  test('is accepted, and author and signer are warned until the table is written', async () => {
    const overrides = [
      { table: 'touched', parameter: 'tripCurrent' as const, reason: 'filter current' },
      { table: 'aplliance', parameter: 'tripCurrent' as const, reason: 'filter current' },
    ]
    const warning = {
      pointer: '#/content/overrides/1/table',
      code: 'override-of-unknown-table',
      detail: 'There is no rule table aplliance, so that nothing is overridden.',
    }
    const answer = created(await author.post(path('overriding'), draft('overriding', 1, { overrides }))).body
    const overridden = ({ warnings }: { warnings: { code: string }[] }) =>
      warnings.filter(({ code }) => code === warning.code)
    expect(overridden(answer)).toEqual([warning])
    expect(overridden((await approver.get(path('overriding'))).body.items[0])).toEqual([warning])
    expect(overridden(expected(await publish('overriding', 1, answer.digest), 200).body)).toEqual([warning])
    await write('aplliance')
    expect(overridden((await approver.get(path('overriding', 1))).body)).toEqual([])
  })
})

describe('rows that bind nobody', () => {
  const warned = (answer: { body: { warnings: { code: string; detail: string }[] } }) =>
    answer.body.warnings.filter(({ code }) => code === 'rows-not-binding').map(({ detail }) => detail)

  test('are warned of, before the publication and after it, unless a reason binds them', async () => {
    const unbound = created(await author.post(path('unbound'), draft('unbound')))
    expect(warned(unbound)).toEqual([expect.stringContaining('unless the publication states bindsBecause')])
    const published = expected(await publish('unbound', 1, unbound.body.digest, { bindsBecause: null }), 200)
    expect(warned(published)).toEqual([expect.stringMatching(/only warns and blocks no plan\.$/)])
    const bound = created(await author.post(path('bound'), draft('bound')))
    const reason = { bindsBecause: 'house rule of Aldermoor Works' }
    expect(warned(expected(await publish('bound', 1, bound.body.digest, reason), 200))).toEqual([])
  })
})

describe('two people', () => {
  test('who contributed does not publish; the digest signed is the one there; a published edition is left alone', async () => {
    const first = created(await both.post(path('pair'), draft('pair'))).body.digest
    expect(await publish('pair', 1, first, {}, both)).toMatchObject({
      status: 403,
      body: { type: 'urn:limitkeep:problem:two-people-required' },
    })
    const match = { 'if-match': `"${first}"` }
    expect((await author.put(path('pair', 1), draft('pair'))).status).toBe(428)
    const replaced = expected(
      await author.put(path('pair', 1), draft('pair', 1, { title: 'Other title' }), match),
      200,
    ).body
    expect(replaced.authors).toEqual(['P-0301', 'P-0101'])
    expect((await author.put(path('pair', 1), draft('pair'), match)).status).toBe(412)
    expect((await publish('pair', 1, first)).body.type).toBe('urn:limitkeep:problem:digest-stale')
    expect((await publish('pair', 1, replaced.digest, {}, both)).status).toBe(403)
    expect((await publish('pair', 1, replaced.digest)).status).toBe(200)
    expect((await publish('pair', 1, replaced.digest)).body.type).toBe('urn:limitkeep:problem:state-conflict')
    const locked = await author.put(path('pair', 1), draft('pair'), { 'if-match': `"${replaced.digest}"` })
    expect(locked.body.type).toBe('urn:limitkeep:problem:edition-locked')
    expect((await author.post(path('pair', 1, 'submission'), { digest: replaced.digest })).status).toBe(409)
    // A change is a new edition, unpublished; the old one stays in effect.
    await write('pair', 2)
    expect((await author.get('/v1/rule-tables')).body.items).toContainEqual(
      expect.objectContaining({ table: 'pair', latestEdition: 2, editionInEffect: 1 }),
    )
  })

  test('publishing at once by several approvers publishes once', async () => {
    const digest = await write('raced')
    await publish('raced', 1, `sha256:${'0'.repeat(64)}`) // Opens presence, so that the next need no code.
    const body = { digest, meaning, effectiveFrom: 'at-once' }
    const tries = await Promise.all(
      Array.from({ length: 4 }, () => approver.post(path('raced', 1, 'publication'), body)),
    )
    expect(tries.map(({ status }) => status).sort()).toEqual([200, 409, 409, 409])
    const published = await readPublished(service.database.sql, { after: 0, upTo: RULES_MAX })
    const versions = published.map(({ rulesVersion }) => rulesVersion)
    expect(new Set(versions).size).toBe(versions.length)
  })

  test('writing is for authors, publishing for approvers', async () => {
    expect((await approver.post(path('roles'), draft('roles'))).status).toBe(403)
    const digest = await write('roles')
    expect((await publish('roles', 1, digest, {}, author)).body.type).toBe('urn:limitkeep:problem:permission-missing')
    expect((await service.client(undefined).get(path('roles'))).status).toBe(401)
  })
})

test('every route of the life cycle asks for the permission that its table names', () => {
  const routes = {
    createEdition: undefined,
    replaceEdition: '',
    submitEdition: '/submission',
    publishEdition: '/publication',
  }
  for (const { action, who } of lifecycle) {
    const url = `/v1/rule-tables/:table/editions${routes[action] === undefined ? '' : `/:edition${routes[action]}`}`
    const method = action === 'replaceEdition' ? 'PUT' : 'POST'
    const route = service.app.routes.find((one) => one.url === url && one.method === method)
    expect(route).toMatchObject({ permission: who, signed: who === 'sign' })
  }
})

describe('a table stays what it is', () => {
  test('rule set and subject do not change across editions', async () => {
    await write('kept')
    expect(pointersOf(await author.post(path('kept'), draft('kept', 2, { ruleSet: 'other' })))).toEqual([
      '#/content/ruleSet',
    ])
    const bond = { subject: 'protective-bonding', ...bonding } as const
    expect(pointersOf(await author.post(path('kept'), draft('kept', 2, bond)))).toEqual(['#/content/subject'])
    const digest = await write('kept', 2)
    const put = (change: Partial<EditionContent>) =>
      author.put(path('kept', 2), draft('kept', 2, change), { 'if-match': `"${digest}"` })
    expect(pointersOf(await put({ ruleSet: 'other' }))).toEqual(['#/content/ruleSet'])
    expect(pointersOf(await put(bond))).toEqual(['#/content/subject'])
    expect((await put({ title: 'Only the title' })).status).toBe(200)
  })

  test('but a slip in its only draft can still be put right', async () => {
    const digest = await write('slipped', 1, { ruleSet: 'aldermor-routine' })
    const put = await author.put(
      path('slipped', 1),
      draft('slipped', 1, { subject: 'protective-bonding', ...bonding }),
      { 'if-match': `"${digest}"` },
    )
    expect(put.status).toBe(200)
    const [row] = (await author.get('/v1/rule-tables?limit=500')).body.items.filter(
      ({ table }: { table: string }) => table === 'slipped',
    )
    expect(row).toMatchObject({ ruleSet: 'aldermoor-routine', editionInEffect: null })
  })

  test('numbers rise, may skip, and are taken once', async () => {
    await write('numbered', 5)
    expect((await author.post(path('numbered'), draft('numbered', 5))).body.type).toBe(
      'urn:limitkeep:problem:already-exists',
    )
    expect((await author.post(path('numbered'), draft('numbered', 2))).body.type).toBe(
      'urn:limitkeep:problem:number-not-higher',
    )
    const tries = await Promise.all(
      Array.from({ length: 4 }, () => author.post(path('numbered'), draft('numbered', 8))),
    )
    expect(tries.map(({ status }) => status).sort()).toEqual([201, 409, 409, 409])
    const page = (await author.get(`${path('numbered')}?limit=1`)).body
    expect([page.items.length, page.items[0].edition]).toEqual([1, 5])
    const next = (await author.get(`${path('numbered')}?cursor=${page.nextCursor}`)).body
    expect(next.items.map(({ edition }: { edition: number }) => edition)).toEqual([8])
    // A cursor belongs to the list that made it.
    expect((await author.get(`${path('kept')}?cursor=${page.nextCursor}`)).status).toBe(400)
  })
})

describe('what is refused names the field', () => {
  const row = (when: string[], then: string[]) => ({ rows: [{ row: 'b1', when, then }], sources: source(['b1']) })

  test.each<[string, Partial<EditionContent>, string]>([
    ['a backward interval', row(['"basic"', '[250..150]'], ['800', '60', '10']), '#/content/rows/0/when/1'],
    ['a cell that is not FEEL', row(['"basic"', '[24..'], ['800', '60', '10']), '#/content/rows/0/when/1'],
    ['a text against a number column', row(['"basic"', '"24"'], ['800', '60', '10']), '#/content/rows/0/when/1'],
    [
      'an attribute that is no column',
      row(['"basic"', '-'], ['2 * ratedPower', '60', '10']),
      '#/content/rows/0/then/0',
    ],
    ['a source for no row', { sources: source(['b1', 'zz']) }, '#/content/sources/0/rows/1'],
    [
      'a unit of another dimension',
      { outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'A' }], ...row(['"basic"', '-'], ['1']) },
      '#/content/outputs/0/unit',
    ],
    ['a family that is nothing', { appliesWhen: { colour: '"red"' } }, '#/content/appliesWhen/colour'],
    ['another table than the path', { table: 'elsewhere' }, '#/content/table'],
    ['an edition beyond 32 bits', { edition: 2_147_483_648 }, '#/content/edition'],
    ['SQL in a key', { ruleSet: "x'; DROP TABLE" }, '#/content/ruleSet'],
    ['a title with NUL', { title: 'a\0b' }, '#/content/title'],
  ])('%s', async (_, change, pointer) => {
    const body = { ...draft('hostile', 1, change), changeReason: 'none' }
    const answer = await author.post(path('hostile'), body)
    expect(answer.status).toBe(422)
    expect(pointersOf(answer)).toContain(pointer)
    expect((await author.get(path('hostile'))).body.type).toBe('urn:limitkeep:problem:rule-table-not-found')
  })

  test('a later edition without a reason, a reason to bind that says nothing, an instant that has passed', async () => {
    const digest = await write('reasons')
    const { content } = draft('reasons', 2)
    expect(pointersOf(await author.post(path('reasons'), { content }))).toEqual(['#/changeReason'])
    expect(pointersOf(await publish('reasons', 1, digest, { bindsBecause: '  ' }))).toEqual(['#/bindsBecause'])
    expect(pointersOf(await publish('reasons', 1, digest, { meaning: ' ' }))).toEqual(['#/meaning'])
    expect(pointersOf(await publish('reasons', 1, digest, { effectiveFrom: undefined }))).toEqual(['#/effectiveFrom'])
    expect(pointersOf(await publish('reasons', 1, digest, { effectiveFrom: '2026-13-01T00:00:00Z' }))).toEqual([
      '#/effectiveFrom',
    ])
    const passed = await publish('reasons', 1, digest, { effectiveFrom: new Date(service.now() - 1).toISOString() })
    expect(passed).toMatchObject({ status: 409, body: { type: 'urn:limitkeep:problem:effective-instant-passed' } })
    expect((await author.get(path('reasons', 1))).body.state).toBe('draft')
    expect((await author.get(path('reasons', 7))).body.type).toBe('urn:limitkeep:problem:edition-not-found')
  })

  test('hundreds of bad cells are told, a hundred at most, without delay', async () => {
    const rows = Array.from({ length: 300 }, (_, index) => ({
      row: `r${index}`,
      when: ['"basic"', '[9..1]'],
      then: ['(((', '1', '-'],
    }))
    const began = performance.now()
    const answer = await author.post(
      path('many'),
      draft('many', 1, { rows, sources: source(rows.map(({ row }) => row)) }),
    )
    expect([answer.status, answer.body.errors.length]).toEqual([422, 100])
    expect(performance.now() - began).toBeLessThan(5_000)
  })
})

function source(rows: string[]): EditionContent['sources'] {
  return [
    {
      rows,
      document: 'Aldermoor house rule HR-7',
      documentEdition: '2',
      clause: '3.1',
      use: 'routine',
      verification: 'invented',
    },
  ]
}

/** Members that make the strength table one about bonding. */
const bonding = {
  inputs: [{ attribute: 'method', type: 'string' as const }],
  outputs: [{ parameter: 'testCurrent' as const, relation: '>=' as const, unit: 'A' }],
  rows: [{ row: 'all', when: ['-'], then: ['10'] }],
  sources: source(['all']),
}
