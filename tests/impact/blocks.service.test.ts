import fc from 'fast-check'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { askImpact } from '../../src/impact/acts.ts'
import { impactPage } from '../../src/impact/acts-step.ts'
import { getImpact, listImpactFindings } from '../../src/impact/reads.ts'
import { checkPageBehind } from '../../src/plans/acts/ensure-checked.ts'
import { approvePermit, requestPermit } from '../../src/plans/acts/permits.ts'
import { getRevision, readBlocks } from '../../src/plans/reads.ts'
import { getPermit } from '../../src/plans/reads-permits.ts'
import type { RevisionKey } from '../../src/plans/record.ts'
import type { Block } from '../../src/plans/step-blocks.ts'
import { replaceEdition } from '../../src/rules/acts.ts'
import { getEdition } from '../../src/rules/reads.ts'
import type { Edition } from '../../src/rules/record.ts'
import { approver, author, BINDS_BECAUSE, type Line, openWorks, refusalOf, type Works } from '../plans/works.ts'

let works: Works
let line: Line
beforeAll(async () => {
  works = await openWorks()
})
afterAll(() => works.close())

const planFor = (name: string): RevisionKey => ({ plan: `${line.plan}-${name}`, revision: 1 })
const accepting = (amperes: string) => ({
  '/steps/0/testCurrent': { least: amperes, most: '40', unit: 'A' },
  '/steps/0/sourceVoltage': { most: '20', unit: 'V' },
})
const ask = (
  edition: Edition,
  effectiveFrom: number | 'at-once' = 'at-once',
  bindsBecause: string | null = BINDS_BECAUSE,
) =>
  askImpact(works.database, author, edition, {
    effectiveFrom: effectiveFrom === 'at-once' ? effectiveFrom : writeInstant(effectiveFrom),
    bindsBecause,
  })

async function sweep(): Promise<void> {
  while ((await checkPageBehind(works.database)) === 'more') {}
}

const isBlocked = (blocks: readonly Block[], at: number) =>
  blocks.some(({ from, until }) => from <= at && (until === null || at < until))

/** The first instant at which something is blocked that was not; undefined where there is none. */
function firstNew(before: readonly Block[], after: readonly Block[]): number | undefined {
  const edges = [...before, ...after].flatMap(({ from, until }) => (until === null ? [from] : [from, until]))
  return edges.sort((a, b) => a - b).find((at) => isBlocked(after, at) && !isBlocked(before, at))
}

/** All findings about the plans of the line, a page of one at a time. */
async function findingsOf(impact: string) {
  const all = []
  for (let after = 0; ; ) {
    const [first, ...more] = await listImpactFindings(works.database.sql, impact, { after, limit: 1 })
    if (first === undefined) return all
    if (first.plan.startsWith(`${line.plan}-`)) all.push(first)
    after = first.ordinal
    if (more.length === 0) return all
  }
}

test('what an impact says is blocked is what publishing blocks, from the same instant, and nothing else', async () => {
  const seen = { blocked: 0, left: 0 }
  const amperes = fc.constantFrom('10', '20', '25', '30')
  const ahead = fc.constantFrom(0, 1, 40, 200)
  const history = fc.record({
    plans: fc.array(fc.record({ least: amperes, ahead, isReview: fc.boolean() }), { minLength: 1, maxLength: 4 }),
    earlier: fc.array(fc.record({ least: amperes, ahead, isSwept: fc.boolean() }), { maxLength: 2 }),
    asked: fc.record({ least: amperes, ahead }),
  })
  await fc.assert(
    fc.asyncProperty(history, async ({ plans, earlier, asked }) => {
      line = await works.line()
      const effect = (ms: number) => (ms === 0 ? 'at-once' : works.clock.at + ms)
      const used: RevisionKey[] = []
      const review: RevisionKey[] = []
      for (const [index, one] of plans.entries()) {
        const key = planFor(String(index))
        const changes = { '/operation': key.plan, ...accepting(one.least) }
        if (one.isReview) review.push(await line.submitted(key, changes))
        else used.push(await line.approved(key, effect(one.ahead), changes))
      }
      line.tick(5)
      for (const [index, one] of earlier.entries()) {
        await line.publishBond(index + 1, one.least, effect(one.ahead))
        line.tick(20)
        if (one.isSwept) await sweep()
      }
      const draft = await line.writeBond(earlier.length + 1, asked.least)
      const { impact, state } = await ask(draft, effect(asked.ahead))
      expect(state).toBe('studying')
      const said = new Map((await findingsOf(impact)).map((one) => [one.plan, one]))
      // A check of what was in review before: its verdict now, and after.
      await sweep()
      const before = new Map<string, readonly Block[]>()
      for (const key of used) before.set(key.plan, await readBlocks(works.database.sql, key))
      const conformed = new Set<string>()
      for (const key of review) {
        if ((await getRevision(works.database.sql, key)).check?.verdict === 'conforms') conformed.add(key.plan)
      }
      const published = await line.publish(draft, effect(asked.ahead))
      expect(published.impact).toMatchObject({ impact, current: true })
      await sweep()
      for (const key of used) {
        const from = firstNew(before.get(key.plan) ?? [], await readBlocks(works.database.sql, key))
        const one = said.get(key.plan)
        expect(one?.from).toBe(from === undefined ? undefined : writeInstant(from))
        if (from === undefined) seen.left += 1
        else {
          seen.blocked += 1
          expect(one?.kind).toBe('revision-blocked')
          expect(one?.findings.map(({ table, edition }) => `${table}/${edition}`)).toContain(
            `${draft.table}/${draft.edition}`,
          )
        }
      }
      for (const key of review) {
        const { check } = await getRevision(works.database.sql, key)
        const one = said.get(key.plan)
        if (conformed.has(key.plan)) expect(one?.kind === 'revision-unapprovable').toBe(check?.verdict === 'blocked')
      }
    }),
    { numRuns: 12 },
  )
  expect(seen.blocked).toBeGreaterThan(0)
  expect(seen.left).toBeGreaterThan(0)
}, 120_000)

test('each is told with what is demanded, what the plan accepts and the margin; warnings block nothing', async () => {
  line = await works.line()
  await line.approved(planFor('a'), 'at-once', accepting('10'))
  await line.approved(planFor('b'), 'at-once', { '/operation': 'b', ...accepting('30') })
  const draft = await line.writeBond(1, '25')
  const impact = await ask(draft, works.clock.at + 5_000)
  expect(impact).toMatchObject({
    state: 'studying',
    current: true,
    revisionsChecked: impact.revisionsTotal,
    runsAffected: null,
    effectiveFrom: writeInstant(works.clock.at + 5_000),
  })
  const [only, ...others] = await findingsOf(impact.impact)
  expect(others).toEqual([])
  expect(only).toMatchObject({
    kind: 'revision-blocked',
    ...planFor('a'),
    permit: null,
    from: writeInstant(works.clock.at + 5_000),
    until: null,
  })
  expect(only?.findings[0]).toMatchObject({
    code: 'requirement-not-met',
    step: 'bond',
    parameter: 'testCurrent',
    relation: '>=',
    row: 'r1',
    demanded: { value: '25', unit: 'A' },
    accepted: { least: '10', most: '40', unit: 'A' },
    margin: { value: '-15', unit: 'A' },
    facts: { source: 'Aldermoor house rule HR-9, 1, 1' },
  })
  // Invented rows bind nobody without a reason.
  expect(await findingsOf((await ask(draft, 'at-once', null)).impact)).toEqual([])
})

test('what is blocked from later on all the same is told until then; what cannot be checked is told apart', async () => {
  line = await works.line()
  await line.approved(planFor('a'), 'at-once', accepting('10'))
  line.tick(10)
  const later = works.clock.at + 5_000
  await line.publishBond(1, '25', later)
  line.tick(10)
  const { digest } = await line.approved(planFor('b'), later + 1_000, { '/operation': 'b', ...accepting('30') })
  const setDigest = (text: string) =>
    works.database.sql.query('UPDATE governance.plan_revision SET digest = $1 WHERE plan = $2', [
      text,
      planFor('b').plan,
    ])
  await setDigest(`sha256:${'1'.repeat(64)}`)
  const draft = await line.writeBond(2, '20')
  const asked = await ask(draft)
  const found = await findingsOf(asked.impact)
  expect(found.map(({ kind, plan, until }) => [kind, plan, until])).toEqual([
    ['revision-blocked', planFor('a').plan, writeInstant(later)],
    ['revision-uncheckable', planFor('b').plan, null],
  ])
  expect(found[1]?.findings).toMatchObject([{ code: 'content-not-readable' }])
  expect(asked.revisionsUncheckable).toBe(1)
  // At the instant of the earlier one, nothing is blocked that is not.
  const same = await findingsOf((await ask(draft, later)).impact)
  expect(same.map(({ kind }) => kind)).toEqual(['revision-uncheckable'])
  // Nobody else is to meet it.
  await setDigest(digest)
})

test('a permit that would be beyond the rules is told, as it is ended by the publication', async () => {
  line = await works.line()
  const key = planFor('a')
  const { digest } = await line.approved(key)
  line.tick(10)
  const services = { database: works.database }
  const asked = await requestPermit(services, author, {
    content: {
      permit: `DP-${line.plan}`,
      ...key,
      revisionDigest: digest,
      step: 'bond',
      limitUpper: { value: '220', unit: 'mOhm' },
      quantity: 5,
      validUntil: writeInstant(works.clock.at + 1_000_000),
      reason: 'cords of lot L-9 are long',
    },
  })
  await approvePermit(services, approver, asked.permit, {
    digest: asked.digest,
    validFrom: 'at-once',
    meaning: 'agreed',
  })
  line.tick(10)
  const draft = await line.writeBondLimit(1, '200')
  const impact = await ask(draft)
  const found = await findingsOf(impact.impact)
  expect(found.map(({ kind, permit }) => [kind, permit])).toEqual([['permit-beyond', asked.permit]])
  const published = await line.publish(draft)
  expect(published.impact).toMatchObject({
    impact: impact.impact,
    permitsBeyond: impact.permitsBeyond,
    runsAffected: null,
  })
  await sweep()
  const [beyond] = found
  expect((await getPermit(works.database.sql, asked.permit)).blockedFrom).toBe(beyond?.from)
})

test('goes on a page at a time, and ends where the rules or the content are others', async () => {
  line = await works.line()
  for (const name of ['a', 'b', 'c'])
    await line.approved(planFor(name), 'at-once', { '/operation': name, ...accepting('10') })
  const draft = await line.writeBond(1, '25')
  const whole = await ask(draft)
  const later = () => askImpact(works.database, author, draft, { bindsBecause: BINDS_BECAUSE }, { timeMaxMs: 0 })
  const page = (impact: string, timeMaxMs = 60_000) => impactPage(works.database, { impact, limit: 2, timeMaxMs })

  const waiting = await later()
  expect(waiting).toMatchObject({ state: 'checking', revisionsChecked: 0, findings: [] })
  await page(waiting.impact)
  expect(await getImpact(works.database, waiting.impact)).toMatchObject({ state: 'checking', revisionsChecked: 2 })
  // In no time it looks at one.
  await page(waiting.impact, 0)
  expect(await getImpact(works.database, waiting.impact)).toMatchObject({ state: 'checking', revisionsChecked: 3 })
  while ((await page(waiting.impact)) === 'more') {}
  const { impact: _, study: __, askedAt: ___, ...paged } = await getImpact(works.database, waiting.impact)
  expect(paged).toEqual(expect.objectContaining({ state: 'studying', findings: whole.findings }))
  expect(await findingsOf(waiting.impact)).toEqual(await findingsOf(whole.impact))
  expect(await findingsOf(waiting.impact)).toHaveLength(3)

  const changed = await later()
  const content = { ...draft.content, title: 'House rule, reworded' }
  await replaceEdition({ database: works.database }, author, draft, { content, changeReason: 'test' }, () => {})
  await page(changed.impact)
  expect(await getImpact(works.database, changed.impact)).toMatchObject({
    state: 'failed',
    failure: expect.stringContaining('content'),
  })

  const overtaken = await later()
  const elsewhere = await works.line()
  await elsewhere.publishBond(1, '10')
  await page(overtaken.impact)
  expect(await getImpact(works.database, overtaken.impact)).toMatchObject({
    state: 'failed',
    current: false,
    failure: expect.stringContaining('Rules'),
  })
  const current = await getEdition(works.database.sql, draft.table, draft.edition)
  const published = await line.publish(current)
  expect(published.impact).toMatchObject({ impact: overtaken.impact, state: 'failed', current: false })
  expect((await refusalOf(ask(draft))).key).toBe('state-conflict')
})
