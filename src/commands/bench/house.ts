import { canonicalText, digestOf } from '../../exact/canonical.ts'
import { timestamptzText } from '../../platform/database/pool.ts'
import { ProductVersionWire } from '../../products/words.ts'
import { PublishedEditionWire } from '../../rules/impacts.ts'
import { EditionWire } from '../../rules/record.ts'
import type { EditionContent } from '../../rules/words.ts'
import { expectAnswer } from '../demo/client.ts'
import { type Draft, readDraft } from '../demo/seed.ts'
import { type BenchLine, openBenchLine } from './line.ts'

/** A house with many live revisions, against many rule tables, all invented. */
export interface House {
  readonly line: BenchLine
  /** Publishes a tightened rule, and gives the seconds until every live revision has its check at that rules version. */
  revalidate(): Promise<number>
}

const PRODUCTS = 200
const TABLES = 40
const ROWS = 25
const SIGNED = { meaning: 'Read and signed for the bench', effectiveFrom: 'at-once', bindsBecause: 'Bench, invented.' }
/** One revision in twenty does not conform to the rule that is tightened. */
const NOT_CONFORMING_EVERY = 20
const TIGHTENED = 'bench-bonding-dwell'
/** Rows written by one statement. */
const PAGE = 2_000
const LOOK_EVERY_MS = 20
const TIME_MAX_MS = 120_000

/** Rules and products come by their acts. The revisions are loaded by SQL as approved and checked: acts would take an hour. */
export async function openHouse(revisions: number): Promise<House> {
  const line = await openBenchLine()
  try {
    for (let number = 0; number < TABLES - 1; number += 1) await publish(line, mildTable(number))
    await publish(line, dwellTable(1, '1'))
    const digests = new Map<string, string>()
    for (let number = 0; number < PRODUCTS; number += 1) {
      const product = `BX${String(number).padStart(4, '0')}`
      digests.set(product, await confirmProduct(line, product))
    }
    await untilChecked(line)
    await loadRevisions(line, digests, revisions)
    await untilTold(line)
    let edition = 1
    return {
      line,
      async revalidate() {
        edition += 1
        const content = dwellTable(edition, '1.5')
        const written = await write(line, content)
        const beganAt = performance.now()
        await sign(line, written)
        await untilChecked(line)
        return (performance.now() - beganAt) / 1_000
      },
    }
  } catch (error) {
    await line.close()
    throw error
  }
}

/** A demand of each kind that every revision meets. */
const MILD = [
  { subject: 'protective-bonding', parameter: 'testCurrent', relation: '>=', unit: 'A', value: '8' },
  { subject: 'electric-strength-ac', parameter: 'testVoltage', relation: '>=', unit: 'V', value: '900' },
  { subject: 'insulation-resistance', parameter: 'testVoltage', relation: '>=', unit: 'V', value: '400' },
  { subject: 'touch-current', parameter: 'limitUpper', relation: '<=', unit: 'mA', value: '0.9' },
] as const

function mildTable(number: number): EditionContent {
  const { subject, value, ...output } = MILD[number % MILD.length] ?? MILD[0]
  return tableOf({ table: `bench-${number}`, edition: 1, subject, outputs: [output], then: value })
}

function dwellTable(edition: number, seconds: string): EditionContent {
  const outputs = [{ parameter: 'dwell', relation: '>=', unit: 's' } as const]
  return tableOf({ table: TIGHTENED, edition, subject: 'protective-bonding', outputs, then: seconds })
}

function tableOf({
  then,
  ...given
}: Pick<EditionContent, 'table' | 'edition' | 'subject' | 'outputs'> & { readonly then: string }): EditionContent {
  const rows = Array.from({ length: ROWS }, (_, index) => {
    const from = 24 + index * 18
    const range = index === ROWS - 1 ? `[${from}..480]` : `[${from}..${from + 18})`
    return { row: `r${index}`, when: [range], then: [then] }
  })
  return {
    ...given,
    title: `Bench, ${given.table}`,
    ruleSet: 'aldermoor-routine',
    hitPolicy: 'U',
    inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V', values: '[24..480]' }],
    rows,
    sources: [
      {
        rows: rows.map(({ row }) => row),
        document: 'Bench',
        documentEdition: '1',
        clause: '1',
        use: 'routine',
        verification: 'invented',
      },
    ],
  }
}

async function write({ stage }: BenchLine, content: EditionContent) {
  const posted = await stage.cast.engineer.post(`/v1/rule-tables/${content.table}/editions`, {
    content,
    changeReason: 'Bench',
  })
  return expectAnswer(posted, 201, EditionWire)
}

async function sign({ stage }: BenchLine, { table, edition, digest }: Awaited<ReturnType<typeof write>>) {
  const path = `/v1/rule-tables/${table}/editions/${edition}/publication`
  expectAnswer(await stage.cast.manager.sign(path, { ...SIGNED, digest }), 200, PublishedEditionWire)
}

async function publish(line: BenchLine, content: EditionContent): Promise<void> {
  await sign(line, await write(line, content))
}

/** Gives the digest of version 1. */
async function confirmProduct({ stage }: BenchLine, product: string): Promise<string> {
  const { content } = await readDraft('product-ex36-3')
  const path = `/v1/products/${product}/versions`
  const posted = await stage.cast.engineer.post(path, { content: { ...content, product, version: 1 } })
  const { digest } = expectAnswer(posted, 201, ProductVersionWire)
  const signed = await stage.cast.manager.sign(`${path}/1/confirmation`, { digest, meaning: SIGNED.meaning })
  expectAnswer(signed, 200, ProductVersionWire)
  return digest
}

async function loadRevisions(line: BenchLine, digests: ReadonlyMap<string, string>, count: number): Promise<void> {
  const { sql } = line.service.database
  const draft = await readDraft('plan-ex36-final-7')
  const products = [...digests.keys()]
  const [gate] = await sql.query<{ version: number; now: number }>(
    `SELECT rules_version AS version, floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now
     FROM intake.gate WHERE site_id = '*'`,
  )
  if (gate === undefined) throw new Error('the gate has no row of the house')
  for (let start = 0; start < count; start += PAGE) {
    const numbers = Array.from({ length: Math.min(PAGE, count - start) }, (_, index) => start + index)
    const rows = numbers.map((number) => revisionOf(draft, number, products, digests))
    await sql.query(
      `WITH given AS (SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::text[])
         AS given (plan, product, operation, content, digest)),
       plans AS (INSERT INTO governance.plan (plan, product, operation, recorded_at)
         SELECT plan, product, operation, $6 FROM given)
       INSERT INTO governance.plan_revision (plan, revision, state, product, product_version, content, digest, authors,
         created_at, submitted_at, submitted_by, approved_at, approved_by, approved_meaning, in_force_from,
         approved_version, checked_version)
       SELECT plan, 1, 'approved', product, 1, content, digest, ARRAY['P-0112'], $6, $6, 'P-0112', $6, 'P-0205',
         'Loaded by the bench', $7, $8, $8 FROM given`,
      [
        rows.map(({ plan }) => plan),
        rows.map(({ product }) => product),
        rows.map(({ operation }) => operation),
        rows.map(({ content }) => content),
        rows.map(({ digest }) => digest),
        timestamptzText(gate.now),
        timestamptzText(gate.now + 1),
        gate.version,
      ],
    )
    await sql.query(
      `INSERT INTO governance.in_force (plan, revision, product, variant, operation, site, from_at)
       SELECT plan, 1, product, variant, operation, 'leeds', $2
       FROM unnest($1::text[]) AS given (plan) JOIN governance.plan USING (plan)
       CROSS JOIN unnest(ARRAY['EX36-3M', 'EX36-5M']) AS variant`,
      [rows.map(({ plan }) => plan), timestamptzText(gate.now + 1)],
    )
  }
}

/** Each product has a limit of its own, so that plans of two products share steps and not all of them. */
function touchLimitOf(product: number) {
  return { value: `0.${7_500 - product}`, unit: 'mA', inclusive: true }
}

/** Revision 7 of the final test with a fifth step, as the revision of another product's plan. */
function revisionOf(
  { content }: Draft,
  number: number,
  products: readonly string[],
  digests: ReadonlyMap<string, string>,
) {
  const product = products[number % products.length] ?? ''
  const plan = `bench-${String(number).padStart(5, '0')}`
  const operation = `final-${Math.floor(number / products.length)}`
  const steps = (content['steps'] as Record<string, unknown>[]).map((step) => {
    if (step['step'] === 'touch') return { ...step, limitUpper: touchLimitOf(number % products.length) }
    return step['step'] === 'bond' && number % NOT_CONFORMING_EVERY === 0
      ? { ...step, dwell: { set: '2.0', least: '1.2', unit: 's' } }
      : step
  })
  const insulation = steps.find(({ step }) => step === 'insulation')
  const text = canonicalText({
    ...content,
    plan,
    revision: 1,
    operation,
    product,
    productVersion: 1,
    productDigest: digests.get(product),
    steps: [...steps, { ...insulation, step: 'insulation-again', after: ['strength'] }],
  })
  return { plan, product, operation, content: text, digest: digestOf(text) }
}

/** What was loaded came into force at one instant, which no house does; the feed is told of it before anything is measured. */
async function untilTold({ service: { database } }: BenchLine): Promise<void> {
  const until = performance.now() + TIME_MAX_MS
  for (;;) {
    const [row] = await database.sql.query<{ told: boolean }>(
      `SELECT NOT EXISTS (SELECT 1 FROM governance.in_force f, governance.ticker t
         WHERE f.from_at > t.ticked_until AND f.from_at <= clock_timestamp()) AS told`,
      [],
      'bench_until_told',
    )
    if (row?.told === true) return
    if (performance.now() > until) throw new Error('the feed was not told of what was loaded')
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS))
  }
}

/** Waits until no live revision is behind the rules version. */
async function untilChecked({ service }: BenchLine): Promise<void> {
  const { sql } = service.database
  for (const beganAt = performance.now(); performance.now() - beganAt < TIME_MAX_MS; ) {
    // The one that is furthest behind, found by the index: looking must not cost what is measured.
    const [row] = await sql.query<{ behind: boolean }>(
      `SELECT coalesce(r.checked_version, 0) < (SELECT rules_version FROM intake.gate WHERE site_id = '*') AS behind
       FROM governance.plan_revision r WHERE r.state IN ('in-review', 'approved')
       ORDER BY coalesce(r.checked_version, 0) LIMIT 1`,
      [],
      'bench_behind',
    )
    if (row?.behind !== true) return
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS))
  }
  throw new Error('the sweep did not come to its end')
}
