import { runActOf } from '../../access/acts-live.ts'
import type { PersonActor } from '../../access/words.ts'
import { writeInstant, writeInstantOrNull } from '../../exact/time.ts'
import { recordEntry } from '../../ledger/acts.ts'
import type { Database } from '../../platform/database/pool.ts'
import type { Act } from '../../platform/gate.ts'
import { fieldInvalid, Problem, requireText } from '../../platform/problems.ts'
import { capitalised } from '../../platform/versioned.ts'
import { readEffect } from '../../platform/versioned-words.ts'
import type { Lifting, LiftingAnswer } from '../act-words.ts'
import { answerFinding } from '../finding-answer.ts'
import { blockDemand, type Finding } from '../findings.ts'
import { readRulesNow } from '../reads-rules.ts'
import { keyText, nameOf, type RevisionKey } from '../record.ts'
import { type Block, liftedBlocks } from '../step-blocks.ts'
import { selectBlocks } from '../store-checks.ts'
import { type LiftableRevision, selectBlockingFindings, selectLiftable, writeLifted } from '../store-lifting.ts'
import { type PlanServices, TRIES_MAX } from './draft.ts'
import { ensureChecked } from './ensure-checked.ts'

type Answer = LiftingAnswer['revisions'][number]

/** Findings told for one revision; all of them are at the revision's findings. */
const FINDINGS_TOLD_MAX = 20

/**
 * Lifts the blocks of a selection of revisions from one instant on, by a person who wrote none of them. Each is refused by
 * itself, and told why, where a finding stands against it at the instant; the others are lifted all the same. What findings
 * known now demand later begins another block then.
 * @throws Problem `effective-instant-passed`, `field-invalid`, `rules-changed`
 */
export async function liftBlocks(
  { database }: PlanServices,
  actor: PersonActor,
  lifting: Lifting,
): Promise<LiftingAnswer> {
  const asked = readEffect(lifting.from ?? 'at-once', '/from')
  requireText(lifting.meaning, '/meaning')
  requireText(lifting.reason, '/reason')
  requireEachOnce(lifting.revisions)
  for (let tries = 0; tries < TRIES_MAX; tries += 1) {
    await ensureChecked(database, lifting.revisions)
    const checked = await readChecked(database, lifting.revisions)
    const answer = await runActOf(database, actor, (act) => liftUnder(act, checked, { actor, lifting, asked }))
    if (answer !== 'rules-changed') return answer
  }
  throw new Problem('rules-changed', {
    detail: 'Rules were published again and again while the revisions were being checked. Try again.',
  })
}

function requireEachOnce(revisions: readonly RevisionKey[]): void {
  const seen = new Set<string>()
  for (const [index, key] of revisions.entries()) {
    if (seen.has(keyText(key))) throw fieldInvalid(`/revisions/${index}`, `${nameOf(key)} is named twice`)
    seen.add(keyText(key))
  }
}

/**
 * The blocking findings of revisions at one rules version, by `keyText`, of those that were checked at it by then. A check
 * at a version never changes.
 */
interface Checked {
  readonly rulesVersion: number
  readonly findings: ReadonlyMap<string, readonly Finding[]>
}

/** Read before the gate is taken, since there may be many: findings that have not ended by now. */
async function readChecked(database: Database, keys: readonly RevisionKey[]): Promise<Checked> {
  const { rulesVersion, at } = await readRulesNow(database)
  return { rulesVersion, findings: await selectBlockingFindings(database.sql, keys, { rulesVersion, after: at }) }
}

interface Asked {
  readonly actor: PersonActor
  readonly lifting: Lifting
  readonly asked: number | 'at-once'
}

async function liftUnder(
  act: Act,
  checked: Checked,
  { actor, lifting, asked }: Asked,
): Promise<LiftingAnswer | 'rules-changed'> {
  if (act.rulesVersion !== checked.rulesVersion) return 'rules-changed'
  const from = act.effectiveAt(asked, '/from')
  const revisions = await selectLiftable(act.sql, lifting.revisions, from)
  // Also one that was checked only after its findings were looked for: they are not known here.
  const isBehind = (one: LiftableRevision) =>
    one.isUsable && (one.checkedVersion !== act.rulesVersion || !checked.findings.has(keyText(one)))
  if ([...revisions.values()].some(isBehind)) return 'rules-changed'
  const checks = [...revisions.values()].map(({ plan, revision }) => ({
    plan,
    revision,
    rulesVersion: act.rulesVersion,
  }))
  const blocksOf = await selectBlocks(act.sql, checks)
  const lifted: (RevisionKey & { readonly digest: string; readonly blocks: readonly Block[] })[] = []
  const answers = lifting.revisions.map((wanted): Answer => {
    const key = keyText(wanted)
    const current = revisions.get(key)
    const refused = current === undefined ? notFound(wanted) : refusalOf(current, wanted, actor.person)
    if (refused !== undefined) return refused
    const findings = checked.findings.get(key) ?? []
    const demand = blockDemand(findings, from)
    const after = liftedBlocks(blocksOf.get(key) ?? [], demand, { at: from, now: act.at, version: act.rulesVersion })
    if ('refused' in after)
      return after.refused === 'not-blocked' ? notBlocked(wanted, act.at) : stands(wanted, findings, from)
    lifted.push({ plan: wanted.plan, revision: wanted.revision, digest: wanted.digest, blocks: after.blocks })
    return { ...told(wanted), lifted: true, blockedFrom: writeInstantOrNull(demand?.from ?? null) }
  })
  if (lifted.length > 0) await record(act, actor, { lifting, from, lifted })
  return { from: writeInstant(from), revisions: answers }
}

async function record(
  act: Act,
  { person: by }: PersonActor,
  {
    lifting: { meaning, reason },
    from,
    lifted,
  }: {
    readonly lifting: Lifting
    readonly from: number
    readonly lifted: readonly (RevisionKey & { readonly digest: string; readonly blocks: readonly Block[] })[]
  },
): Promise<void> {
  await writeLifted(act.sql, lifted, { rulesVersion: act.rulesVersion, from })
  for (const key of lifted) act.touch('revision', keyText(key), 'all')
  const revisions = lifted.map(({ plan, revision, digest }) => ({ plan, revision, digest }))
  const facts = { meaning, reason, from: writeInstant(from), rulesVersion: act.rulesVersion, revisions }
  await recordEntry(act, { action: 'liftBlocks', by, subject: 'blocks/lifting', facts })
}

function refusalOf(current: LiftableRevision, wanted: RevisionKey & { readonly digest: string }, by: string) {
  const name = capitalised(nameOf(wanted))
  if (current.digest !== wanted.digest) {
    return refused(wanted, 'digest-stale', `${name} has the digest ${current.digest}.`)
  }
  if (current.authors.includes(by)) {
    return refused(
      wanted,
      'two-people-required',
      `${by} contributed to ${nameOf(wanted)}; someone who did not must sign.`,
    )
  }
  if (!current.isUsable) {
    return refused(wanted, 'state-conflict', `${name} is ${current.state}, and in force nowhere from then on.`)
  }
  return undefined
}

function notFound(wanted: RevisionKey): Answer {
  return refused(wanted, 'revision-not-found', `There is no ${nameOf(wanted)}.`)
}

function notBlocked(wanted: RevisionKey, at: number): Answer {
  const detail = `No block of ${nameOf(wanted)} had begun by ${writeInstant(at)} and was still open.`
  return refused(wanted, 'not-blocked', detail)
}

function stands(wanted: RevisionKey, findings: readonly Finding[], from: number): Answer {
  const those = findings.filter((finding) => finding.from <= from && (finding.until === null || finding.until > from))
  const what = those.length === 1 ? '1 finding stands' : `${those.length} findings stand`
  const detail = `${what} against ${nameOf(wanted)} at ${writeInstant(from)}.`
  return {
    ...refused(wanted, 'finding-stands', detail),
    findings: those.slice(0, FINDINGS_TOLD_MAX).map(answerFinding),
  }
}

function refused(wanted: RevisionKey, because: NonNullable<Answer['because']>, detail: string): Answer {
  return { ...told(wanted), because, detail }
}

function told({ plan, revision }: RevisionKey): Answer {
  return { plan, revision, lifted: false, because: null, detail: null, findings: [], blockedFrom: null }
}
