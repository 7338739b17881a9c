import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { extractorStrength } from '../support/aldermoor.ts'
import { iso, type Line, openLine } from '../support/line.ts'
import { expected } from '../support/service.ts'

/** Monday's revision, Wednesday's strict rule, Friday's looser one: the example of the room's README, over HTTP. */

const DAY = 86_400_000
let line: Line
let monday: number
let wednesday: number
let friday: number

const brief = ({ at, kind, plan, revision, table, edition, because }: Record<string, unknown>) =>
  [at, kind, plan ?? table, revision ?? edition, because].filter((one) => one !== null && one !== undefined).join(' ')
const ask = async (query = '') => expected(await line.analyst.get(`/v1/schedule${query}`), 200).body

beforeAll(async () => {
  line = await openLine({ still: true })
  monday = line.now() + 3 * DAY
  wednesday = monday + 2 * DAY
  friday = monday + 4 * DAY
  await line.approve(8, iso(monday))
  const strict = extractorStrength({ edition: 3 })
  const rows = strict.rows.map((row) => ({ ...row, then: ['4000', ...row.then.slice(1)] }))
  await line.publish({ ...strict, rows }, iso(wednesday))
  await line.publish(extractorStrength({ edition: 4 }), iso(friday))
})
afterAll(() => line.service.close())

/** Brings the checks up to the rules, as the sweep does. */
async function sweep(): Promise<void> {
  const { checkPageBehind } = await import('../../src/plans/acts/ensure-checked.ts')
  while ((await checkPageBehind(line.service.database)) === 'more');
}

describe('the schedule', () => {
  test('tells how many revisions the rules were not asked about yet, and then of what they block', async () => {
    const before = await ask()
    expect(before).toMatchObject({ uncheckedCount: 2, asOf: iso(line.now()), until: iso(line.now() + 30 * DAY) })
    expect(before.items.map(brief)).not.toContain(`${iso(wednesday)} revision-blocked ex36-final 8`)
    await sweep()
    const after = await ask()
    expect(after.uncheckedCount).toBe(0)
    expect(after.items.map(brief)).toEqual([
      `${iso(monday)} revision-ended ex36-final 7`,
      `${iso(monday)} revision-in-force ex36-final 8`,
      `${iso(wednesday)} edition-in-effect extractor-strength 3`,
      `${iso(wednesday)} nothing-in-force ex36-final 8 revision-blocked`,
      `${iso(wednesday)} revision-blocked ex36-final 8`,
      `${iso(friday)} edition-in-effect extractor-strength 4`,
    ])
    expect(after.items[3]).toMatchObject({
      product: 'EX36',
      operation: 'final',
      sites: ['leeds'],
      variants: ['EX36-3M', 'EX36-5M'],
      causes: ['requirement-not-met extractor-strength/3 b4'],
      // A block that has begun stays, although the rule is loosened on Friday.
      until: null,
    })
  })

  test('is asked for some days, a site, a kind, and page by page', async () => {
    const all = (await ask()).items
    expect((await ask('?days=3')).items).toEqual(all.slice(0, 2))
    expect((await ask('?days=5&kind=nothing-in-force')).items).toEqual([all[3]])
    expect((await ask('?site=osaka')).items.map(brief)).toEqual([
      `${iso(wednesday)} edition-in-effect extractor-strength 3`,
      `${iso(friday)} edition-in-effect extractor-strength 4`,
    ])
    const seen: unknown[] = []
    let page = await ask('?limit=2')
    for (;;) {
      expect(page.items.length).toBeLessThanOrEqual(2)
      seen.push(...page.items)
      if (page.nextCursor === null) break
      page = await ask(`?limit=2&cursor=${page.nextCursor}`)
    }
    expect(seen).toEqual(all)
  })

  test('tells of calibrations that end, in the zone of the site, of instruments that stand somewhere', async () => {
    const due = (await ask('?days=366&kind=calibration-due')).items
    expect(due).toMatchObject([
      { at: '2027-01-01T00:00:00.000Z', station: 'LDS-F2', instrument: 'INS-0031', calibration: 'CAL-2026-0118' },
      { at: '2027-01-01T00:00:00.000Z', station: 'LDS-F3', instrument: 'INS-0040', calibration: 'CAL-2026-0119' },
    ])
  })

  test.each(['?days=0', '?days=367', '?days=x', '?kind=gap', '?cursor=abc'])('refuses %s', async (query) => {
    expect((await line.analyst.get(`/v1/schedule${query}`)).status).toBe(400)
  })

  test('says the same in the graph', async () => {
    const query = `{ schedule(days: 5, first: 10) { edges { node { at kind sites variants plan revision because causes until
      table edition product operation version station instrument calibration } } } }`
    const { data } = expected(await line.analyst.post('/graphql', { query }), 200).body
    const word = (text: string | null) => text?.toUpperCase().replaceAll('-', '_') ?? null
    const { items } = await ask('?days=5')
    expect(data.schedule.edges.map(({ node }: { node: unknown }) => node)).toEqual(
      items.map((item: { kind: string; because: string | null }) => ({
        ...item,
        kind: word(item.kind),
        because: word(item.because),
      })),
    )
    const blocks = `{ blocks(product: "EX36") { edges { node { plan revision digest sites from until causes causeVersion
      checkedVersion product operation } } } }`
    const asked = expected(await line.analyst.post('/graphql', { query: blocks }), 200).body
    const rest = expected(await line.analyst.get('/v1/blocks?product=EX36'), 200).body.items
    expect(rest).toHaveLength(1)
    expect(asked.data.blocks.edges.map(({ node }: { node: unknown }) => node)).toEqual(rest)
    const refused = expected(
      await line.analyst.post('/graphql', { query: '{ schedule(days: 0) { edges { cursor } } }' }),
      200,
    )
    expect(refused.body.errors[0].extensions.problem.type).toContain('parameter-invalid')
  })

  test('forgets what is cancelled before it comes', async () => {
    const strict = '/v1/rule-tables/extractor-strength/editions/3/cancellation'
    expected(await line.author.post(strict, { reason: 'the number was copied wrongly' }), 200)
    await sweep()
    expect((await ask()).items.map(brief)).toEqual([
      `${iso(monday)} revision-ended ex36-final 7`,
      `${iso(monday)} revision-in-force ex36-final 8`,
      `${iso(friday)} edition-in-effect extractor-strength 4`,
    ])
    const revision = '/v1/plans/ex36-final/revisions/8/cancellation'
    expected(await line.author.post(revision, { reason: 'not needed' }), 200)
    expect((await ask()).items.map(brief)).toEqual([`${iso(friday)} edition-in-effect extractor-strength 4`])
  })
})
