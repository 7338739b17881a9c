import { afterAll, beforeAll, beforeEach, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { readRuleBook, readRulesNow } from '../../src/plans/reads-rules.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { type Line, openWorks, type Works } from './works.ts'

let works: Works
let line: Line
beforeAll(async () => {
  works = await openWorks()
})
afterAll(() => works.close())
beforeEach(async () => {
  line = await works.line()
  await line.publishBond(1, '10')
})

/** A process of its own, whose connections are lost where the test says so. */
function anotherProcess(): Database & { lose(): void } {
  let epoch = 1
  return {
    ...works.database,
    epoch: () => epoch,
    lose() {
      epoch += 1
    },
  }
}

const bookOf = async (database: Database) =>
  readRuleBook(database, database.sql, (await readRulesNow(database)).rulesVersion, [line.product])

/** What the line's bonding rule demands by the book, as the text of its row. */
async function published(database: Database): Promise<string[]> {
  const book = await bookOf(database)
  const table = `bond-routine-${line.product.slice('EX36-'.length)}`
  const own = book.tables.filter((one) => one.table === table)
  return own.map(({ edition, compiled }) => `${edition} ${compiled?.rows.map(({ row }) => row).join()}`)
}

/** The history that another server had: its first edition was another one. */
async function rewrite(row: string): Promise<void> {
  const [stored] = await works.database.sql.query<{ content: string; table: string }>(
    `SELECT content, rule_table AS "table" FROM governance.rule_edition WHERE rule_table LIKE 'bond-%' ORDER BY rules_version DESC LIMIT 1`,
  )
  if (stored === undefined) throw new Error('the line has a rule')
  const content = canonicalText(JSON.parse(stored.content.replaceAll('"r1"', `"${row}"`)))
  await works.database.sql.query('UPDATE governance.rule_edition SET content = $1, digest = $2 WHERE rule_table = $3', [
    content,
    digestOf(content),
    stored.table,
  ])
}

test('what was read is kept, and dropped where the server may be another since', async () => {
  const one = anotherProcess()
  expect(await published(one)).toEqual(['1 r1'])
  await rewrite('other')
  expect(await published(one)).toEqual(['1 r1'])
  one.lose()
  expect(await published(one)).toEqual(['1 other'])
})

test('what was read is dropped where less is published than is remembered', async () => {
  const one = anotherProcess()
  const before = await readRulesNow(one)
  await line.publishBond(2, '11')
  expect(await published(one)).toEqual(['1 r1', '2 r1'])
  const book = await readRuleBook(one, one.sql, before.rulesVersion, [line.product])
  expect(Math.max(...book.tables.map(({ rulesVersion }) => rulesVersion))).toBe(before.rulesVersion)
  expect(book.versionsOf(line.product)).toHaveLength(1)
  expect(await published(one)).toEqual(['1 r1', '2 r1'])
})
