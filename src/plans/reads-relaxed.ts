import type { Database } from '../platform/database/pool.ts'
import { Problem } from '../platform/problems.ts'
import { getVersion } from '../products/reads.ts'
import { variantNames } from '../products/versions.ts'
import { checkPrepared, type RevisionCheck } from './check.ts'
import { answerFinding } from './finding-answer.ts'
import { demandedFrom } from './findings.ts'
import { prepareRevision } from './prepare.ts'
import { readRuleBook, readRulesNow } from './reads-rules.ts'
import { contentOf, type RevisionKey, revisionNotFound } from './record.ts'
import { type Relaxation, relaxedContent } from './relax.ts'
import { selectRevision } from './store.ts'

/** What the rules say of a revision with limits relaxed, along all time from now on. */
export interface RelaxedCheck {
  readonly check: RevisionCheck
  /** With which it was made: under the gate it must still be the present one. */
  readonly rulesVersion: number
  /** @throws Problem `beyond-rules` with what blocks at that instant */
  requireWithinRules(at: number): void
}

/**
 * Checked before the gate is taken, since uploads wait behind it.
 * @throws Problem `revision-not-found`
 */
export async function checkRelaxed(
  database: Database,
  key: RevisionKey,
  relaxations: readonly Relaxation[],
): Promise<RelaxedCheck> {
  const { sql } = database
  const { rulesVersion, at } = await readRulesNow(database)
  const record = await selectRevision(sql, { plan: key.plan, revision: key.revision })
  if (record === undefined) throw revisionNotFound(key)
  const content = contentOf(record)
  const book = await readRuleBook(database, sql, rulesVersion, [content.product])
  const version = await getVersion(sql, content.product, content.productVersion)
  const read = prepareRevision(relaxedContent(content, relaxations, variantNames(version.content)))
  if ('refused' in read)
    throw new Error(`a relaxed revision ${key.revision} of ${key.plan} cannot be read: ${read.refused}`)
  const timeline = book.timelineAt(rulesVersion)
  const check = checkPrepared(read.prepared, { versions: book.versionsOf(content.product), timeline, from: at })
  return { check, rulesVersion, requireWithinRules: (from) => requireNothingBlocks(check, from) }
}

function requireNothingBlocks({ findings }: RevisionCheck, at: number): void {
  if (demandedFrom(findings, at) !== at) return
  const blocking = findings.filter(
    ({ severity, from, until }) => severity === 'blocking' && from <= at && (until === null || until > at),
  )
  throw new Problem('beyond-rules', {
    detail: 'With the relaxed limit the revision would not conform.',
    members: { findings: blocking.map(answerFinding) },
  })
}
