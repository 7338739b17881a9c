import { runActOf } from '../../access/acts-live.ts'
import type { PersonActor } from '../../access/words.ts'
import { writeInstant } from '../../exact/time.ts'
import { isTaken } from '../../platform/database/transaction.ts'
import type { Act } from '../../platform/gate.ts'
import { Problem, requireText } from '../../platform/problems.ts'
import { capitalised, requireMove } from '../../platform/versioned.ts'
import { readEffect } from '../../platform/versioned-words.ts'
import { getVersion } from '../../products/reads.ts'
import { variantNames } from '../../products/versions.ts'
import type { Approval } from '../act-words.ts'
import { answerFinding } from '../finding-answer.ts'
import { blockDemand, type Finding } from '../findings.ts'
import { type Cell, conflicting, expandInForce, type InForce, insertInterval } from '../in-force.ts'
import { lifecycle } from '../lifecycle.ts'
import { answerRevision } from '../reads.ts'
import {
  type ApprovedRevision,
  contentOf,
  nameOf,
  type RevisionKey,
  type RevisionRecord,
  requireNoneBlocking,
} from '../record.ts'
import { stepBlocks } from '../step-blocks.ts'
import { markApproved, selectSites } from '../store.ts'
import { insertFirstBlocks, selectCheck, selectFindings } from '../store-checks.ts'
import { insertInForce, selectInForceOfOthers, selectInForceOfPlan, setInForceEnds } from '../store-in-force.ts'
import { findRevision, type PlanServices, recordRevision, rulesChanged, TRIES_MAX } from './draft.ts'
import { ensureChecked } from './ensure-checked.ts'

/**
 * The second person's signature on content and instant: from the instant on the revision is the one to use, at each site
 * and for each variant, and the plan's own predecessor ends there. Refused where a finding blocks at that instant, or
 * another plan is in force; what begins to block later is answered as a finding.
 */
export async function approveRevision(
  services: PlanServices,
  actor: PersonActor,
  key: RevisionKey,
  approval: Approval,
): Promise<ApprovedRevision> {
  const { database } = services
  const asked = readEffect(approval.inForceFrom, '/inForceFrom')
  requireText(approval.meaning, '/meaning')
  for (let tries = 0; tries < TRIES_MAX; tries += 1) {
    await ensureChecked(database, [key])
    const answer = await runActOf(database, actor, (act) => approveUnder(act, { key, actor, asked, approval }))
    if (answer !== 'rules-changed') return answer
  }
  throw rulesChanged(key)
}

interface Asked {
  readonly key: RevisionKey
  readonly actor: PersonActor
  readonly asked: number | 'at-once'
  readonly approval: Approval
}

async function approveUnder(
  act: Act,
  { key, actor, asked, approval }: Asked,
): Promise<ApprovedRevision | 'rules-changed'> {
  const by = actor.person
  const current = await findRevision(act.sql, key)
  const state = requireMove(lifecycle, 'approveRevision', current, { by, digest: approval.digest })
  const findings = await findingsNow(act, key)
  if (findings === undefined) return 'rules-changed'
  const from = act.effectiveAt(asked, '/inForceFrom')
  requireNoneBlocking(key, findings, from)

  const cells = await cellsOf(act, current)
  const { until, ended } = insertInterval(await selectInForceOfPlan(act.sql, key.plan), from)
  await requireNoOther(act, key, { cells, from, until })
  await setInForceEnds(act, ended)
  await insertOnce(act, key, { cells, from, until })

  const demand = blockDemand(findings, from)
  const blocks = stepBlocks([], demand, { version: act.rulesVersion, publishedAt: act.at })
  await insertFirstBlocks(act.sql, key, blocks, act.rulesVersion)

  const { meaning, comment = null } = approval
  const record = await markApproved(act, key, { state, by, meaning, comment, inForceFrom: from })
  for (const name of new Set(ended.map(({ row }) => `${row.plan}/${row.revision}`))) act.touch('revision', name, 'all')
  await recordRevision(act, 'approveRevision', actor, record, {
    meaning,
    comment,
    inForceFrom: writeInstant(from),
    rulesVersion: act.rulesVersion,
  })
  const standing = findings.filter((finding) => finding.until === null || finding.until > from)
  return { ...(await answerRevision(act.sql, record)), findings: standing.map(answerFinding) }
}

/** What the check at the present rules version found; undefined where there is none, since rules were published. */
async function findingsNow(act: Act, key: RevisionKey): Promise<Finding[] | undefined> {
  const check = await selectCheck(act.sql, key, act.rulesVersion)
  if (check === undefined) return undefined
  const limit = check.blockingCount + check.warningCount
  const found = await selectFindings(act.sql, key, { rulesVersion: act.rulesVersion, after: -1, limit })
  return found.map(({ finding }) => finding)
}

/** Every variant of the product version that the revision cites, at every site it names or that is open now. */
async function cellsOf(act: Act, current: RevisionRecord): Promise<Cell[]> {
  const content = contentOf(current)
  const version = await getVersion(act.sql, content.product, content.productVersion)
  const { cells, unknownSites } = expandInForce(content, variantNames(version.content), await selectSites(act.sql))
  if (unknownSites.length > 0) throw new Error(`${nameOf(current)} names a site that was there and is gone`)
  if (cells.length === 0) {
    throw new Problem('state-conflict', {
      detail: `No site is open, so that ${nameOf(current)} would be in force nowhere.`,
      members: { state: current.state },
    })
  }
  return cells
}

interface Interval {
  readonly cells: readonly Cell[]
  readonly from: number
  readonly until: number | null
}

/** Most cells that a refusal repeats. */
const CONFLICTS_TOLD_MAX = 100

/** @throws Problem `other-plan-in-force` naming plan, revision, variant and site */
async function requireNoOther(act: Act, { plan }: RevisionKey, { cells, from, until }: Interval): Promise<void> {
  const others = await selectInForceOfOthers(act.sql, { plan, cells, from })
  const conflicts = conflicting(others, { plan, cells, from, until })
  const [first] = conflicts
  if (first === undefined) return
  throw otherPlan(`${capitalised(nameOf(first))} is in force${ofVariant(first)} at ${first.site}.`, conflicts)
}

function otherPlan(detail: string, conflicts: readonly InForce[], cause?: unknown): Problem {
  return new Problem('other-plan-in-force', {
    detail,
    members: {
      conflicts: conflicts.slice(0, CONFLICTS_TOLD_MAX).map(({ plan, revision, variant, site, from, until }) => ({
        plan,
        revision,
        variant: variant === '' ? null : variant,
        site,
        from: writeInstant(from),
        until: until === null ? null : writeInstant(until),
      })),
    },
    cause,
  })
}

function ofVariant({ variant }: Cell): string {
  return variant === '' ? '' : ` for ${variant}`
}

/** The database holds by itself that one revision at most is in force in a cell. */
async function insertOnce(act: Act, key: RevisionKey, interval: Interval): Promise<void> {
  try {
    await insertInForce(act, key, interval)
  } catch (error) {
    if (!isTaken(error, 'in_force_one')) throw error
    throw otherPlan(`${capitalised(nameOf(key))} would be in force beside another revision.`, [], error)
  }
}
