import type { PersonActor, Role } from '../../src/access/words.ts'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { writeInstant } from '../../src/exact/time.ts'
import { approveRevision } from '../../src/plans/acts/approve.ts'
import { createRevision, submitRevision } from '../../src/plans/acts/draft.ts'
import { withdrawRevision } from '../../src/plans/acts/stop.ts'
import { readBlocks } from '../../src/plans/reads.ts'
import type { ApprovedRevision, Revision, RevisionKey } from '../../src/plans/record.ts'
import { type PlanContent, PlanContentWire } from '../../src/plans/words.ts'
import type { FixedClock } from '../../src/platform/clock.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { Problem } from '../../src/platform/problems.ts'
import { confirmVersion, createVersion } from '../../src/products/acts.ts'
import { type ProductContent, ProductContentWire } from '../../src/products/words.ts'
import { createEdition, publishEdition } from '../../src/rules/acts.ts'
import type { PublishedEdition } from '../../src/rules/impacts.ts'
import type { Edition } from '../../src/rules/record.ts'
import { type EditionContent, EditionContentWire } from '../../src/rules/words.ts'
import { createSite } from '../../src/stations/acts.ts'
import { ex36, planWire } from '../support/aldermoor.ts'
import { clockAt } from '../support/clock.ts'
import { openTestDatabase, type TestDatabase } from '../support/database.ts'
import { insertKeys } from '../support/keys.ts'
import { type Changes, changed } from './aldermoor.ts'

/**
 * Aldermoor Works with its two plants and a clock that stands still. What tests need of other rooms is made by the real
 * acts. One database serves all tests of a file: each works on a `Line` of its own.
 */
export interface Works {
  readonly database: Database
  readonly urls: TestDatabase
  readonly clock: FixedClock
  /** A product like EX36 under another key, confirmed and in effect, with a rule set and a plan of its own. */
  line(): Promise<Line>
  close(): Promise<void>
}

export interface Line {
  readonly product: string
  readonly plan: string
  /** When the line began, milliseconds since the epoch. */
  readonly startedAt: number
  /** A revision of its plan. */
  key(revision: number): RevisionKey
  productContent(changes?: Changes): ProductContent
  planContent(changes?: Changes): PlanContent
  /** One millisecond later, or more; gives the new instant. */
  tick(ms?: number): number
  /** A draft by the author, its content changed by pointer. */
  draft(key: RevisionKey, changes?: Changes): Promise<Revision>
  /** A draft, submitted. */
  submitted(key: RevisionKey, changes?: Changes): Promise<Revision>
  /** A draft, submitted and approved. */
  approved(key: RevisionKey, inForceFrom?: number | 'at-once', changes?: Changes): Promise<ApprovedRevision>
  approve(revision: Revision, inForceFrom?: number | 'at-once', by?: PersonActor): Promise<ApprovedRevision>
  withdraw(key: RevisionKey): Promise<Revision>
  /** The least bonding current, amperes, as a draft. */
  writeBond(edition: number, least: string): Promise<Edition>
  /** The most bonding resistance, milliohms, as a draft; the plan accepts up to 197.5 mOhm. */
  writeBondLimit(edition: number, most: string): Promise<Edition>
  /** Publishes a draft so that it binds. */
  publish(edition: Edition, effectiveFrom?: number | 'at-once'): Promise<PublishedEdition>
  /** The least bonding current, amperes; the plan accepts from 10 A. Published so that it binds. */
  publishBond(edition: number, least: string, effectiveFrom?: number | 'at-once'): Promise<void>
  /** Voltage (V) and dwell (s) that hold together, one row to be met; the plan accepts from 1200 V and 1 s. */
  publishStrength(edition: number, rows: string[][], effectiveFrom?: number | 'at-once'): Promise<void>
  confirm(content: ProductContent, effectiveFrom?: number | 'at-once'): Promise<string>
  /** The blocks of the newest check, in short: `[from, until)` in milliseconds after the line's start. */
  blocks(key: RevisionKey): Promise<string[]>
}

export const author = person('P-0100', ['author'])
export const coAuthor = person('P-0102', ['author'])
export const approver = person('P-0101', ['approver'])
export const administrator = person('P-0001', ['administrator'])

/** Why invented rules bind in tests. */
export const BINDS_BECAUSE = 'house rule'

export const START = '2026-03-16T09:00:00.000Z'

function person(key: string, roles: readonly Role[]): PersonActor {
  return { kind: 'person', key: `key-${key}`, person: key, roles }
}

export async function openWorks(options: { readonly poolMax?: number } = {}): Promise<Works> {
  const clock = clockAt(START)
  const { database, urls, close } = await openTestDatabase(clock, options)
  await insertKeys(database, [author, coAuthor, approver, administrator])
  const openedAt = '2020-01-01T00:00:00.000Z'
  await createSite(database, administrator, { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt })
  await createSite(database, administrator, { site: 'osaka', name: 'Osaka', timeZone: 'Asia/Tokyo', openedAt })
  let lines = 0
  return {
    database,
    urls,
    clock,
    async line() {
      lines += 1
      return openLine(database, clock, lines)
    },
    close,
  }
}

async function openLine(database: Database, clock: FixedClock, number: number): Promise<Line> {
  const product = `EX36-${number}`
  const ruleSet = `routine-${number}`
  const services = { database }
  const startedAt = clock.at + 10
  const productContent = (changes: Changes = {}) =>
    ProductContentWire.parse(changed(ex36(), { '/product': product, '/ruleSets': [ruleSet], ...changes }))
  const planContent = (changes: Changes = {}) =>
    PlanContentWire.parse(
      changed(planWire, {
        '/plan': line.plan,
        '/product': product,
        '/productDigest': digestOf(canonicalText(productContent())),
        ...changes,
      }),
    )
  const write = (content: EditionContent) =>
    createEdition(services, author, content.table, { content, changeReason: 'test' })
  const publish = async (content: EditionContent, effectiveFrom: number | 'at-once') => {
    await line.publish(await write(content), effectiveFrom)
  }
  const line: Line = {
    product,
    plan: `final-${number}`,
    startedAt,
    key: (revision) => ({ plan: line.plan, revision }),
    productContent,
    planContent,
    tick: (ms = 1) => {
      clock.at += ms
      return clock.at
    },
    draft: ({ plan, revision }, changes = {}) =>
      createRevision(services, author, plan, {
        content: planContent({ '/plan': plan, '/revision': revision, ...changes }),
        changeReason: 'test',
      }),
    async submitted(key, changes) {
      const { digest } = await line.draft(key, changes)
      return submitRevision(services, author, key, { digest })
    },
    async approved(key, inForceFrom, changes) {
      return line.approve(await line.submitted(key, changes), inForceFrom)
    },
    approve: ({ plan, revision, digest }, inForceFrom = 'at-once', by = approver) =>
      approveRevision(
        services,
        by,
        { plan, revision },
        { digest, inForceFrom: instantOf(inForceFrom), meaning: 'fit for use' },
      ),
    withdraw: (key) => withdrawRevision(services, approver, key, { reason: 'test' }),
    writeBond: (edition, least) => write(bondRule({ ruleSet, edition }, least)),
    writeBondLimit: (edition, most) => write(bondLimitRule({ ruleSet, edition }, most)),
    publish: (edition, effectiveFrom = 'at-once') =>
      publishEdition(services, approver, edition, {
        digest: edition.digest,
        effectiveFrom: instantOf(effectiveFrom),
        meaning: 'in effect',
        bindsBecause: BINDS_BECAUSE,
      }),
    publishBond: (edition, least, effectiveFrom = 'at-once') =>
      publish(bondRule({ ruleSet, edition }, least), effectiveFrom),
    publishStrength: (edition, rows, effectiveFrom = 'at-once') =>
      publish(strengthRule({ ruleSet, edition }, rows), effectiveFrom),
    async confirm(content, effectiveFrom = 'at-once') {
      const made = await createVersion(services, author, content.product, { content, changeReason: 'test' })
      await confirmVersion(services, approver, made, {
        digest: made.digest,
        meaning: 'as built',
        effectiveFrom: instantOf(effectiveFrom),
      })
      return made.digest
    },
    async blocks(key) {
      const blocks = await readBlocks(database.sql, key)
      return blocks.map(({ from, until }) => `[${from - startedAt}, ${until === null ? 'on' : until - startedAt})`)
    },
  }
  await line.confirm(productContent())
  clock.at = startedAt
  return line
}

function instantOf(at: number | 'at-once'): string {
  return at === 'at-once' ? at : writeInstant(at)
}

interface HouseRule {
  readonly ruleSet: string
  readonly edition: number
}

function bondRule({ ruleSet, edition }: HouseRule, least: string): EditionContent {
  const outputs = [{ parameter: 'testCurrent', relation: '>=', unit: 'A' }]
  return houseRule({ table: `bond-${ruleSet}`, ruleSet, edition, subject: 'protective-bonding', outputs }, [[least]])
}

function bondLimitRule({ ruleSet, edition }: HouseRule, most: string): EditionContent {
  const outputs = [{ parameter: 'limitUpper', relation: '<=', unit: 'mOhm' }]
  return houseRule({ table: `limit-${ruleSet}`, ruleSet, edition, subject: 'protective-bonding', outputs }, [[most]])
}

function strengthRule({ ruleSet, edition }: HouseRule, rows: string[][]): EditionContent {
  const outputs = [
    { parameter: 'testVoltage', relation: '>=', unit: 'V' },
    { parameter: 'dwell', relation: '>=', unit: 's' },
  ]
  return houseRule({ table: `strength-${ruleSet}`, ruleSet, edition, subject: 'electric-strength-ac', outputs }, rows)
}

/** A rule for class I; the rows are alternatives. */
function houseRule(head: object, then: string[][]): EditionContent {
  const names = then.map((_, index) => `r${index + 1}`)
  return EditionContentWire.parse({
    ...head,
    title: 'House rule',
    hitPolicy: 'C',
    inputs: [{ attribute: 'protectionClass', type: 'string' }],
    rows: then.map((cells, index) => ({ row: names[index], when: ['"I"'], then: cells })),
    sources: [
      {
        rows: names,
        document: 'Aldermoor house rule HR-9',
        documentEdition: '1',
        clause: '1',
        use: 'routine',
        verification: 'invented',
      },
    ],
  })
}

/** What was refused: the key of the Problem, and the Problem. Throws where it was not refused, or by a bug. */
export async function refusalOf(work: Promise<unknown>): Promise<Problem> {
  try {
    await work
  } catch (error) {
    if (error instanceof Problem) return error
    throw error
  }
  throw new Error('it was not refused')
}
