import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import type { PersonActor } from '../../src/access/words.ts'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { confirmVersion, createVersion } from '../../src/products/acts.ts'
import { lifecycle } from '../../src/products/lifecycle.ts'
import { readAllConfirmedVersions, readConfirmedVersions } from '../../src/products/reads.ts'
import { versionInEffect } from '../../src/products/versions.ts'
import type { ProductContent } from '../../src/products/words.ts'
import { ex36, extractorStrength } from '../support/aldermoor.ts'
import { insertKeys } from '../support/keys.ts'
import { created, expected, type PersonClient, startTestService, type TestService } from '../support/service.ts'

let service: TestService
let author: PersonClient
let second: PersonClient
let approver: PersonClient
/** Author and approver in one person, as in a small works. */
let both: PersonClient

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0101', ['author'])
  second = await service.addPerson('P-0102', ['author'])
  approver = await service.addPerson('P-0201', ['approver'])
  both = await service.addPerson('P-0301', ['author', 'approver'])
})

afterAll(() => service.close())

const draft = (product: string, version = 1, change: Partial<ProductContent> = {}) => ({
  content: ex36({ product, version, ...change }),
  ...(version > 1 ? { changeReason: 'as measured on the line' } : {}),
})

const path = (product: string, version?: number, act?: string) =>
  ['/v1/products', product, 'versions', version, act].filter((part) => part !== undefined).join('/')

async function write(product: string, version = 1, by = author): Promise<string> {
  return created(await by.post(path(product), draft(product, version))).body.digest
}

const meaning = 'checked against drawing D-36'

describe('a version from draft to confirmation', () => {
  test('is written, submitted, and confirmed by a second person from the instant given', async () => {
    const answer = created(await author.post(path('CF-20'), draft('CF-20')))
    expect(answer.headers['location']).toBe('/v1/products/CF-20/versions/1')
    expect(answer.headers['etag']).toBe(`"${answer.body.digest}"`)
    expect(answer.body).toMatchObject({ state: 'draft', authors: ['P-0101'], confirmedAt: null, effectiveFrom: null })
    expect(answer.body.digest).toBe(digestOf(canonicalText(ex36({ product: 'CF-20', version: 1 }))))
    const { digest } = answer.body

    const submitted = expected(await author.post(path('CF-20', 1, 'submission'), { digest }), 200).body
    expect(submitted).toMatchObject({ state: 'in-review', submittedBy: 'P-0101', digest })

    const effectiveFrom = '2026-03-17T06:00:00.000+09:00'
    const confirmed = expected(
      await approver.sign(path('CF-20', 1, 'confirmation'), { digest, meaning, effectiveFrom }),
      200,
    ).body
    expect(confirmed).toMatchObject({
      state: 'confirmed',
      confirmedBy: 'P-0201',
      confirmedMeaning: meaning,
      effectiveFrom: '2026-03-16T21:00:00.000Z',
    })
    expect(expected(await second.get(path('CF-20', 1)), 200).body).toEqual(confirmed)
    expect((await second.get('/v1/products/CF-20')).body).toMatchObject({ latestVersion: 1, versionInEffect: null })
    service.clock.shiftMs += 86_400_000
    expect((await second.get('/v1/products/CF-20')).body).toMatchObject({ latestVersion: 1, versionInEffect: 1 })
  })

  test('takes effect a millisecond after its commit where no instant is given, straight from a draft', async () => {
    const digest = await write('CF-21')
    const confirmed = expected(await approver.sign(path('CF-21', 1, 'confirmation'), { digest, meaning }), 200).body
    expect(Date.parse(confirmed.effectiveFrom)).toBe(Date.parse(confirmed.confirmedAt) + 1)
  })

  test('raises the rules version and touches every site, once for each confirmation', async () => {
    const before = await gate()
    const digest = await write('CF-22')
    expect(await gate()).toEqual(before)
    const { rulesVersion } = expected(
      await approver.sign(path('CF-22', 1, 'confirmation'), { digest, meaning }),
      200,
    ).body
    const after = await gate()
    expect(after).toEqual({ version: before.version + 1, rulesVersion: before.rulesVersion + 1 })
    expect(rulesVersion).toBe(after.rulesVersion)
    const changes = await service.database.sql.query(
      'SELECT kind, key FROM intake.gate_changes WHERE site_id = $1 AND version = $2 ORDER BY kind',
      ['*', after.version],
    )
    expect(changes).toEqual([
      { kind: 'product', key: 'CF-22' },
      { kind: 'rules', key: 'product/CF-22' },
    ])
  })

  test('every act leaves a ledger entry with the digest and no name', async () => {
    const digest = await write('CF-23')
    await author.post(path('CF-23', 1, 'submission'), { digest })
    await approver.sign(path('CF-23', 1, 'confirmation'), { digest, meaning })
    const rows = await service.database.sql.query<{ content: string }>(
      "SELECT content FROM intake.ledger_entries WHERE content LIKE '%products/CF-23/versions/1%' ORDER BY entry_id",
    )
    const entries = rows.map(({ content }) => JSON.parse(content))
    expect(entries.map(({ action, by, facts }) => [action, by, facts.digest])).toEqual([
      ['createVersion', 'P-0101', digest],
      ['submitVersion', 'P-0101', digest],
      ['confirmVersion', 'P-0201', digest],
    ])
    expect(rows.some(({ content }) => content.includes('Test P-'))).toBe(false)
  })
})

test('a rule set that no table belongs to is warned of, until a table is written', async () => {
  const ruleSets = ['aldermoor-ruotine']
  const answer = created(await author.post(path('MISSPELT'), draft('MISSPELT', 1, { ruleSets }))).body
  const warning = {
    pointer: '#/content/ruleSets/0',
    code: 'rule-set-unknown',
    detail: 'No rule table belongs to a rule set aldermoor-ruotine, so that nothing of it is demanded.',
  }
  expect(answer.warnings).toEqual([warning])
  const confirmed = await approver.sign(path('MISSPELT', 1, 'confirmation'), { digest: answer.digest, meaning })
  expect(expected(confirmed, 200).body.warnings).toEqual([warning])
  const content = extractorStrength({ table: 'strength-misspelt', ruleSet: 'aldermoor-ruotine', overrides: [] })
  created(await author.post('/v1/rule-tables/strength-misspelt/editions', { content, changeReason: 'first' }))
  expect((await author.get(path('MISSPELT', 1))).body.warnings).toEqual([])
  expect((await author.get(path('MISSPELT'))).body.items[0].warnings).toEqual([])
})

describe('two people', () => {
  test('an author never confirms, nor does who only replaced the draft once; the digest seen must be the one there', async () => {
    const first = await write('GS-10', 1, both)
    expect(await both.sign(path('GS-10', 1, 'confirmation'), { digest: first, meaning })).toMatchObject({
      status: 403,
      body: { type: 'urn:limitkeep:problem:two-people-required' },
    })
    const replaced = expected(
      await author.put(path('GS-10', 1), draft('GS-10', 1, { name: 'Garden shredder' }), { 'if-match': `"${first}"` }),
      200,
    ).body
    expect(replaced.authors).toEqual(['P-0301', 'P-0101'])
    expect((await both.sign(path('GS-10', 1, 'confirmation'), { digest: replaced.digest, meaning })).status).toBe(403)
    const stale = await approver.sign(path('GS-10', 1, 'confirmation'), { digest: first, meaning })
    expect(stale).toMatchObject({
      status: 409,
      body: { type: 'urn:limitkeep:problem:digest-stale', digest: replaced.digest },
    })
    expect((await approver.sign(path('GS-10', 1, 'confirmation'), { digest: replaced.digest, meaning })).status).toBe(
      200,
    )
    const again = await approver.sign(path('GS-10', 1, 'confirmation'), { digest: replaced.digest, meaning })
    expect(again).toMatchObject({
      status: 409,
      body: { type: 'urn:limitkeep:problem:state-conflict', state: 'confirmed' },
    })
  })

  test('whoever has both roles may confirm what others wrote', async () => {
    const digest = await write('GS-11')
    expect((await both.sign(path('GS-11', 1, 'confirmation'), { digest, meaning })).status).toBe(200)
  })

  test('writing needs an author, confirming an approver and a one-time code', async () => {
    expect((await approver.post(path('GS-12'), draft('GS-12'))).status).toBe(403)
    expect((await service.administrator.post(path('GS-12'), draft('GS-12'))).status).toBe(403)
    const digest = await write('GS-12')
    expect((await author.sign(path('GS-12', 1, 'confirmation'), { digest, meaning })).status).toBe(403)
    service.clock.shiftMs += 600_000
    const unsigned = await approver.post(path('GS-12', 1, 'confirmation'), { digest, meaning })
    expect(unsigned).toMatchObject({ status: 403, body: { type: 'urn:limitkeep:problem:one-time-code-missing' } })
    expect((await author.get(path('GS-12', 1))).body.state).toBe('draft')
  })
})

describe('a draft', () => {
  test('is replaced only by who saw it, and not once it is submitted', async () => {
    const digest = await write('GS-20')
    const other = draft('GS-20', 1, { name: 'Other' })
    expect((await author.put(path('GS-20', 1), other)).status).toBe(428)
    expect((await author.put(path('GS-20', 1), other, { 'if-match': '"sha256:00"' })).status).toBe(412)
    const replaced = expected(await second.put(path('GS-20', 1), other, { 'if-match': `"${digest}"` }), 200)
    expect(replaced.headers['etag']).not.toBe(`"${digest}"`)
    expect(replaced.body).toMatchObject({ authors: ['P-0101', 'P-0102'], state: 'draft', content: { name: 'Other' } })
    expect((await author.put(path('GS-20', 1), other, { 'if-match': `"${digest}"` })).status).toBe(412)
    const seen = replaced.body.digest
    expect((await author.get(path('GS-20', 1), { 'if-none-match': `"${seen}"` })).status).toBe(304)
    expect((await author.post(path('GS-20', 1, 'submission'), { digest })).status).toBe(409)
    expect((await author.post(path('GS-20', 1, 'submission'), { digest: seen })).status).toBe(200)
    expect((await author.post(path('GS-20', 1, 'submission'), { digest: seen })).status).toBe(409)
    const locked = await author.put(path('GS-20', 1), other, { 'if-match': `"${seen}"` })
    expect(locked).toMatchObject({ status: 409, body: { type: 'urn:limitkeep:problem:version-locked' } })
    // Its state has changed under an unchanged digest.
    expect((await author.get(path('GS-20', 1), { 'if-none-match': `"${seen}"` })).status).toBe(200)
  })

  test('two replacements of one content at once: one is done, the other told', async () => {
    const digest = await write('GS-21')
    const tries = await Promise.all(
      ['A', 'B', 'C'].map((name) =>
        author.put(path('GS-21', 1), draft('GS-21', 1, { name }), { 'if-match': `"${digest}"` }),
      ),
    )
    expect(tries.map(({ status }) => status).sort()).toEqual([200, 412, 412])
  })

  test('the number of a new version is above the highest, taken once, and may skip', async () => {
    await write('GS-22', 4)
    expect((await author.post(path('GS-22'), draft('GS-22', 4))).body.type).toBe('urn:limitkeep:problem:already-exists')
    expect((await author.post(path('GS-22'), draft('GS-22', 3))).body.type).toBe(
      'urn:limitkeep:problem:number-not-higher',
    )
    await write('GS-22', 9)
    const tries = await Promise.all(Array.from({ length: 5 }, () => author.post(path('GS-22'), draft('GS-22', 10))))
    expect(tries.map(({ status }) => status).sort()).toEqual([201, 409, 409, 409, 409])
    const listed = (await author.get(`${path('GS-22')}?limit=2`)).body
    expect(listed.items.map(({ version }: { version: number }) => version)).toEqual([4, 9])
    const rest = (await author.get(`${path('GS-22')}?limit=2&cursor=${listed.nextCursor}`)).body
    expect([rest.items.map(({ version }: { version: number }) => version), rest.nextCursor]).toEqual([[10], null])
  })
})

describe('effective instants', () => {
  test('one that has passed is refused by name and changes nothing', async () => {
    const digest = await write('GS-30')
    for (const at of [service.now() - 1, service.now() - 86_400_000, Date.parse('2000-01-01T00:00:00Z')]) {
      const answer = await approver.sign(path('GS-30', 1, 'confirmation'), {
        digest,
        meaning,
        effectiveFrom: new Date(at).toISOString(),
      })
      expect(answer).toMatchObject({
        status: 409,
        body: { type: 'urn:limitkeep:problem:effective-instant-passed', errors: [{ pointer: '#/effectiveFrom' }] },
      })
    }
    expect((await author.get(path('GS-30', 1))).body).toMatchObject({ state: 'draft', effectiveFrom: null })
  })

  test('of two versions the later effective one is in effect, as known at each rules version', async () => {
    const [one, two] = [await write('GS-31', 1), await write('GS-31', 2)]
    const later = new Date(service.now() + 3_600_000).toISOString()
    await approver.sign(path('GS-31', 2, 'confirmation'), { digest: two, meaning, effectiveFrom: later })
    await approver.sign(path('GS-31', 1, 'confirmation'), { digest: one, meaning })
    const versions = await readConfirmedVersions(service.database.sql, 'GS-31')
    expect(versions.map(({ version, digest }) => [version, digest])).toEqual([
      [2, two],
      [1, one],
    ])
    const known = Math.max(...versions.map(({ rulesVersion }) => rulesVersion))
    expect(versionInEffect(versions, Date.parse(later) - 1, known)?.version).toBe(1)
    expect(versionInEffect(versions, Date.parse(later), known)?.version).toBe(2)
    expect(versionInEffect(versions, Date.parse(later) - 1, known - 1)).toBeUndefined()
    expect((await readAllConfirmedVersions(service.database.sql)).length).toBeGreaterThan(versions.length)
    expect(await readConfirmedVersions(service.database.sql, 'no-such')).toEqual([])
  })
})

describe('what is refused names the field', () => {
  const pointersOf = (body: { errors: { pointer: string }[] }) => body.errors.map(({ pointer }) => pointer)

  test('content that belongs elsewhere, or gives no reason for the change', async () => {
    expect(pointersOf((await author.post(path('GS-40'), draft('GS-41'))).body)).toEqual(['#/content/product'])
    const { content } = draft('GS-40', 2)
    expect(pointersOf((await author.post(path('GS-40'), { content })).body)).toEqual(['#/changeReason'])
    const digest = await write('GS-40')
    const moved = await author.put(path('GS-40', 1), draft('GS-40', 2), { 'if-match': `"${digest}"` })
    expect(pointersOf(moved.body)).toEqual(['#/content/version'])
  })

  test.each<[string, object, string]>([
    [
      'a pattern that could hang',
      { serialRule: { pattern: '^(A+)+$', letters: 'upper', trim: true } },
      '#/content/serialRule/pattern',
    ],
    ['an unknown field', { colour: 'red' }, '#/content/colour'],
    ['a number where a key is due', { product: 36 }, '#/content/product'],
    ['SQL in a key', { ruleSets: ["x'); DROP TABLE governance.product; --"] }, '#/content/ruleSets/0'],
    [
      'a unit of another dimension',
      { attributes: { ...ex36().attributes, ratedPower: { value: '1', unit: 'V' } } },
      '#/content/attributes/ratedPower/unit',
    ],
    ['a version beyond 32 bits', { version: 2_147_483_648 }, '#/content/version'],
    ['a prototype by name', JSON.parse('{"__proto__": {"x": 1}}'), '#/content/__proto__'],
  ])('%s', async (_, change, pointer) => {
    const body = { content: { ...ex36({ product: 'GS-42', version: 1 }), ...change } }
    if (Object.hasOwn(change, '__proto__'))
      Object.defineProperty(body.content, '__proto__', { value: {}, enumerable: true })
    const answer = await author.post(path('GS-42'), body)
    expect(answer.status).toBe(422)
    expect(pointersOf(answer.body)).toContain(pointer)
  })

  test('rating digits are kept as sent, also where JSON gives a number', async () => {
    const content = JSON.stringify(ex36({ product: 'GS-43', version: 1 })).replace('"value":"230"', '"value":230.10')
    const answer = created(
      await author.send({
        method: 'POST',
        url: path('GS-43'),
        headers: { 'content-type': 'application/json' },
        payload: `{"content":${content}}`,
      }),
    )
    expect(answer.body.content.attributes.ratedVoltage.value).toBe('230.10')
  })

  test('a member that occurs twice, broken JSON, another media type, an unknown path number', async () => {
    const send = (payload: string, type = 'application/json') =>
      author.send({ method: 'POST', url: path('GS-44'), headers: { 'content-type': type }, payload })
    expect((await send('{"content":{},"content":{}}')).body.errors).toMatchObject([
      { pointer: '#/content', code: 'duplicate-member' },
    ])
    expect((await send('{"content":')).status).toBe(400)
    expect((await send('{}', 'text/plain')).status).toBe(415)
    expect((await author.get(path('GS-44', 1))).body.type).toBe('urn:limitkeep:problem:version-not-found')
    expect((await author.get(path('GS-44'))).body.type).toBe('urn:limitkeep:problem:product-not-found')
    for (const number of ['0', '-1', '1e3', '99999999999', 'x']) {
      expect((await author.get(`/v1/products/GS-44/versions/${number}`)).status).toBe(400)
    }
    expect((await author.get('/v1/products?cursor=abc')).body.type).toBe('urn:limitkeep:problem:cursor-invalid')
  })

  test('a meaning that says nothing, a digest that is none', async () => {
    const digest = await write('GS-45')
    expect(pointersOf((await approver.sign(path('GS-45', 1, 'confirmation'), { digest, meaning: '  ' })).body)).toEqual(
      ['#/meaning'],
    )
    expect(
      pointersOf((await approver.sign(path('GS-45', 1, 'confirmation'), { digest: 'sha256:x', meaning })).body),
    ).toEqual(['#/digest'])
    const without = { digest, meaning, effectiveFrom: '2026-04-01T00:00:00' }
    expect(pointersOf((await approver.sign(path('GS-45', 1, 'confirmation'), without)).body)).toEqual([
      '#/effectiveFrom',
    ])
  })
})

test('every route of the life cycle asks for the permission that its table names', () => {
  const routes = {
    createVersion: undefined,
    replaceVersion: '',
    submitVersion: '/submission',
    confirmVersion: '/confirmation',
    rejectVersion: '/rejection',
    cancelVersion: '/cancellation',
  }
  for (const { action, who } of lifecycle) {
    const url = `/v1/products/:product/versions${routes[action] === undefined ? '' : `/:version${routes[action]}`}`
    const method = action === 'replaceVersion' ? 'PUT' : 'POST'
    const route = service.app.routes.find((one) => one.url === url && one.method === method)
    expect(route).toMatchObject({ permission: who, signed: who === 'sign' })
  }
})

test('the sweep is nudged after a confirmation that was committed, and by nothing else', async () => {
  const actor = (person: string, role: 'author' | 'approver'): PersonActor => ({
    kind: 'person',
    key: `key-${person}`,
    person,
    roles: [role],
  })
  const { database } = service
  await insertKeys(database, [actor('P-0101', 'author'), actor('P-0201', 'approver')])
  const seen: number[] = []
  const nudgeSweep = () =>
    void readConfirmedVersions(database.sql, 'GS-50').then((versions) => seen.push(versions.length))
  const key = { product: 'GS-50', version: 1 }
  const { digest } = await createVersion({ database, nudgeSweep }, actor('P-0101', 'author'), 'GS-50', draft('GS-50'))
  const confirm = (person: string) =>
    confirmVersion({ database, nudgeSweep }, actor(person, 'approver'), key, { digest, meaning })
  await expect(confirm('P-0101')).rejects.toMatchObject({ key: 'two-people-required' })
  expect(seen).toEqual([])
  await confirm('P-0201')
  await expect.poll(() => seen).toEqual([1])
})

async function gate(): Promise<{ version: number; rulesVersion: number }> {
  const [row] = await service.database.sql.query<{ version: number; rulesVersion: number }>(
    `SELECT version, rules_version AS "rulesVersion" FROM intake.gate WHERE site_id = '*'`,
  )
  if (row === undefined) throw new Error('the house has no gate')
  return row
}
