import pg from 'pg'
import { afterAll, beforeAll, beforeEach, expect, test, vi } from 'vitest'
import type * as contentCheck from '../../src/plans/content-check.ts'
import type * as replay from '../../src/plans/replay.ts'
import type * as compileTable from '../../src/rules/compile-table.ts'

/** Uploads wait while an act holds the gate, so what takes its time must not be done under it. */

const { happened } = vi.hoisted(() => ({ happened: [] as string[] }))

vi.mock('../../src/plans/replay.ts', async (original) => {
  const real = await original<typeof replay>()
  const checkContent: typeof real.checkContent = (...given) => {
    happened.push('check')
    return real.checkContent(...given)
  }
  return { ...real, checkContent }
})
vi.mock('../../src/plans/content-check.ts', async (original) => {
  const real = await original<typeof contentCheck>()
  const checkPlanContent: typeof real.checkPlanContent = (...given) => {
    happened.push('check content')
    return real.checkPlanContent(...given)
  }
  return { ...real, checkPlanContent }
})
vi.mock('../../src/rules/compile-table.ts', async (original) => {
  const real = await original<typeof compileTable>()
  const compiling: typeof real.compileTable = (...given) => {
    happened.push('compile')
    return real.compileTable(...given)
  }
  return { ...real, compileTable: compiling }
})

const { createRevision, replaceRevision, submitRevision } = await import('../../src/plans/acts/draft.ts')
const { replaceEdition, createEdition, publishEdition, submitEdition } = await import('../../src/rules/acts.ts')
const { extractorStrength } = await import('../support/aldermoor.ts')
const { approver, author, openWorks, refusalOf } = await import('./works.ts')

let works: Awaited<ReturnType<typeof openWorks>>
let line: Awaited<ReturnType<typeof works.line>>
beforeAll(async () => {
  works = await openWorks()
})
afterAll(() => works.close())
beforeEach(async () => {
  line = await works.line()
})

const realQuery = pg.Client.prototype.query as (...given: unknown[]) => unknown

/** What happened, in its order: what was computed, and from when to when the gate was held. */
async function orderOf(work: () => Promise<unknown>): Promise<string[]> {
  happened.length = 0
  const query = vi.spyOn(pg.Client.prototype, 'query').mockImplementation(function (
    this: pg.Client,
    ...given: unknown[]
  ) {
    const [statement] = given
    const text = typeof statement === 'string' ? statement : ((statement as { text?: string }).text ?? '')
    if (text.startsWith('LOCK TABLE intake.gate')) happened.push('gate')
    if (/^(COMMIT|ROLLBACK)/.test(text) && happened.at(-1) === 'gate') happened.push('end')
    return Reflect.apply(realQuery, this, given) as never
  })
  try {
    await work()
    return [...happened]
  } finally {
    query.mockRestore()
  }
}
test('a draft is compared with its product before the gate is held', async () => {
  const { database } = works
  const content = line.planContent()
  const draft = { content, changeReason: 'test' }
  expect(await orderOf(() => createRevision({ database }, author, line.plan, draft))).toEqual([
    'check content',
    'gate',
    'end',
  ])
  const replacing = () => replaceRevision({ database }, author, { plan: line.plan, revision: 7 }, draft, () => {})
  expect(await orderOf(replacing)).toEqual(['check content', 'gate', 'end'])
})

test('a draft is checked before the gate is held, and again where rules or content changed meanwhile', async () => {
  const { database } = works
  const key = line.key(1)
  await line.draft(key)
  expect(await orderOf(() => submitRevision({ database }, author, key, undefined))).toEqual(['check', 'gate', 'end'])

  const second = line.key(2)
  const { digest } = await line.draft(second)
  const meddled = meddling(async () => {
    await line.publishBond(1, '25')
    line.tick()
  })
  const refusal = await refusalOf(submitRevision({ database: meddled }, author, second, { digest }))
  expect(refusal.key).toBe('findings-block')

  const third = line.key(3)
  await line.publishBond(2, '10')
  line.tick()
  await line.draft(third)
  const low = line.planContent({ '/revision': 3, '/steps/0/testCurrent/least': '9' })
  const replaced = meddling(() =>
    replaceRevision({ database }, author, third, { content: low, changeReason: 'test' }, () => {}),
  )
  expect((await refusalOf(submitRevision({ database: replaced }, author, third, undefined))).key).toBe('findings-block')
})

test('a table is compiled before the gate is held, and one that was replaced since is not signed', async () => {
  const { database } = works
  const content = extractorStrength({ table: `strength-${line.plan}`, edition: 1, overrides: null })
  const key = { table: content.table, edition: 1 }
  const draft = { content, changeReason: 'test' }
  expect(await orderOf(() => createEdition({ database }, author, key.table, draft))).toEqual(['compile', 'gate', 'end'])
  const replace = (title: string) =>
    replaceEdition({ database }, author, key, { ...draft, content: { ...content, title } }, () => {})
  const stale = await refusalOf(submitEdition({ database: meddling(() => replace('another')) }, author, key, undefined))
  expect(stale.key).toBe('digest-stale')
  expect(await orderOf(() => submitEdition({ database }, author, key, undefined))).toEqual(['compile', 'gate', 'end'])
  const { digest } = await storedEdition(key)
  const request = { digest, effectiveFrom: 'at-once', meaning: 'in effect', bindsBecause: 'house rule' }
  // What the submission found of the same content is still known.
  expect(await orderOf(() => publishEdition({ database }, approver, key, request))).toEqual(['gate', 'end'])

  const straight = { table: `straight-${line.plan}`, edition: 1 }
  const unseen = { ...draft, content: { ...content, ...straight, title: 'published without a submission' } }
  const written = await createEdition({ database }, author, straight.table, unseen)
  const signed = { ...request, digest: written.digest }
  expect(await orderOf(() => publishEdition({ database }, approver, straight, signed))).toEqual([
    'compile',
    'gate',
    'end',
  ])
})

async function storedEdition({ table }: { readonly table: string }): Promise<{ digest: string }> {
  const [row] = await works.database.sql.query<{ digest: string }>(
    'SELECT digest FROM governance.rule_edition WHERE rule_table = $1',
    [table],
  )
  if (row === undefined) throw new Error('the edition is there')
  return row
}

/** The database of a process in which something else happens just before its next act. */
function meddling(meddle: () => Promise<unknown>): typeof works.database {
  let isDone = false
  const prisma = new Proxy(works.database.prisma, {
    get(target, name) {
      const member: unknown = Reflect.get(target, name)
      if (name !== '$transaction' || typeof member !== 'function') return member
      return async (...given: unknown[]) => {
        if (!isDone) {
          isDone = true
          await meddle()
        }
        return Reflect.apply(member, target, given)
      }
    },
  })
  return { ...works.database, prisma }
}
