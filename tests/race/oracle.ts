import type { Database } from '../../src/platform/database/pool.ts'
import { TABLE } from './factory.ts'

/**
 * What was right, worked out from the words alone and from the history as it stands in the end: no gate, no check, no
 * block, no interval of the service is asked. That the end tells it is the promise: no instant lies before the commit
 * that sets it, so nothing recorded later changes what held at a start.
 */
export interface History {
  readonly editions: readonly {
    readonly edition: number
    readonly effectiveFrom: number
    readonly rulesVersion: number
    readonly least: number
  }[]
  readonly revisions: readonly {
    readonly plan: string
    readonly revision: number
    readonly approvedAt: number
    readonly inForceFrom: number
    readonly withdrawnFrom: number | null
    /** Taken back before it began: as if it had never been approved. */
    readonly isCancelled: boolean
    readonly least: number
  }[]
  /** Signed liftings of blocks, from an instant on. */
  readonly liftings: readonly { readonly plan: string; readonly revision: number; readonly from: number }[]
}

export interface Run {
  readonly plan: string
  readonly revision: number
  readonly startedAt: number
}

/** `never`: it was to begin later, and was withdrawn or replaced before it did. */
export type Standing = 'usable' | 'not-yet' | 'never' | 'stale' | 'blocked'

/** Whether a revision could be used for a test that started at an instant. */
export function standingOf(history: History, run: Run): Standing {
  const cited = history.revisions.find(({ plan, revision }) => plan === run.plan && revision === run.revision)
  if (cited === undefined) return 'not-yet'
  if (cited.isCancelled) return 'never'
  const ofPlan = history.revisions.filter(({ plan, isCancelled }) => plan === run.plan && !isCancelled)
  if (cited.inForceFrom > run.startedAt) return isEmptied(ofPlan, cited, Number.POSITIVE_INFINITY) ? 'never' : 'not-yet'
  if (endOf(ofPlan, cited) <= run.startedAt) return 'stale'
  return isBlocked(history, cited, run.startedAt) ? 'blocked' : 'usable'
}

type Approved = History['revisions'][number]

/**
 * When a revision of a plan ends: at its withdrawal; where one that was approved after it begins, even if that is
 * withdrawn again; and where one begins that stood scheduled when it was approved.
 */
function endOf(ofPlan: readonly Approved[], cited: Approved): number {
  const others = ofPlan.filter((other) =>
    other.approvedAt > cited.approvedAt
      ? other.inForceFrom >= cited.inForceFrom
      : other.inForceFrom > cited.inForceFrom && !isEmptied(ofPlan, other, cited.approvedAt),
  )
  return Math.min(...others.map(({ inForceFrom }) => inForceFrom), cited.withdrawnFrom ?? Number.POSITIVE_INFINITY)
}

/** Whether a revision had been withdrawn or replaced before it began, as of an instant. */
function isEmptied(ofPlan: readonly Approved[], one: Approved, asOf: number): boolean {
  const isReplaced = ofPlan.some(
    (other) => other.inForceFrom === one.inForceFrom && other.approvedAt > one.approvedAt && other.approvedAt < asOf,
  )
  const isWithdrawn = one.withdrawnFrom !== null && one.withdrawnFrom <= one.inForceFrom && one.withdrawnFrom <= asOf
  return isReplaced || isWithdrawn
}

/**
 * Blocked from the first instant in force at which more was demanded than the revision accepts, until it is lifted; then
 * from the first such instant on or after that.
 */
function isBlocked(history: History, cited: Approved, at: number): boolean {
  const lifted = history.liftings
    .filter(({ plan, revision, from }) => plan === cited.plan && revision === cited.revision && from <= at)
    .map(({ from }) => from)
  const since = Math.max(cited.inForceFrom, ...lifted)
  const instants = [since, ...history.editions.map(({ effectiveFrom }) => effectiveFrom)]
  return instants.some((instant) => instant >= since && instant <= at && demandedAt(history, instant) > cited.least)
}

function demandedAt({ editions }: History, at: number): number {
  const begun = editions.filter(({ effectiveFrom }) => effectiveFrom <= at)
  begun.sort((a, b) => a.effectiveFrom - b.effectiveFrom || a.rulesVersion - b.rulesVersion)
  return begun.at(-1)?.least ?? 0
}

export interface AcceptedRun extends Run {
  readonly runId: string
  /** The rules version that its admission cites. */
  readonly rulesVersion: number
  readonly isChecked: boolean
}

/** Every accepted run that should not have been, with why. */
export function violations(history: History, runs: readonly AcceptedRun[]): string[] {
  return runs.flatMap((run) => {
    const standing = standingOf(history, run)
    const unknown = history.editions.filter(
      ({ effectiveFrom, rulesVersion }) => effectiveFrom <= run.startedAt && rulesVersion > run.rulesVersion,
    )
    const name = `${run.runId} of ${run.plan}/${run.revision} at ${run.startedAt}`
    return [
      ...(standing === 'usable' ? [] : [`${name}: ${standing}`]),
      ...(run.isChecked ? [] : [`${name}: no check at rules version ${run.rulesVersion}`]),
      ...unknown.map(({ edition }) => `${name}: not checked with edition ${edition}, in effect at its start`),
    ]
  })
}

/** The acts as they are recorded. */
export async function readHistory(database: Database): Promise<History> {
  const editions = await database.sql.query<History['editions'][number]>(
    `SELECT edition, effective_from AS "effectiveFrom", rules_version AS "rulesVersion",
            (content::jsonb #>> '{rows,0,then,0}')::int AS least
     FROM governance.rule_edition WHERE rule_table = $1 AND state = 'published'`,
    [TABLE],
  )
  const revisions = await database.sql.query<History['revisions'][number]>(
    `SELECT plan, revision, approved_at AS "approvedAt", in_force_from AS "inForceFrom",
            withdrawn_from AS "withdrawnFrom", state = 'cancelled' AS "isCancelled", (content::jsonb #>> '{steps,0,testCurrent,least}')::int AS least
     FROM governance.plan_revision WHERE approved_at IS NOT NULL`,
  )
  const entries = await database.sql.query<{ content: string }>(
    `SELECT content FROM intake.ledger_entries WHERE content LIKE '{"action":"liftBlocks"%'`,
  )
  const liftings = entries.flatMap(({ content }) => {
    const { from, revisions: those } = JSON.parse(content).facts
    return (those as { plan: string; revision: number }[]).map((one) => ({ ...one, from: Date.parse(from) }))
  })
  return { editions, revisions, liftings }
}

/** The accepted runs as they are stored, and whether the check that each cites is there. */
export function readAccepted(database: Database): Promise<AcceptedRun[]> {
  return database.sql.query<AcceptedRun>(
    `SELECT r.run_id AS "runId", r.plan, r.revision, r.started_at AS "startedAt", r.rules_version AS "rulesVersion",
            EXISTS (SELECT 1 FROM governance.revision_check c
                    WHERE c.plan = r.plan AND c.revision = r.revision AND c.rules_version = r.rules_version) AS "isChecked"
     FROM intake.runs r WHERE r.outcome = 'accepted'`,
  )
}
