import { type CompiledRevision, compiledRevision } from '../judging/compile.ts'
import type { Revision } from '../plans/record.ts'
import { type PublishedTable, type RuleTimeline, ruleTimeline } from '../plans/rule-timeline.ts'
import type { Sql } from '../platform/database/sql.ts'
import { readAllConfirmedVersions } from '../products/reads.ts'
import { type ConfirmedVersion, variantNames, versionInEffect } from '../products/versions.ts'
import { compileTable } from '../rules/compile-table.ts'
import { readEditions } from '../rules/reads.ts'
import type { Edition } from '../rules/record.ts'
import type { EditionScope } from './record.ts'
import { type Screen, screenBetween } from './screen.ts'
import type { AskedRun } from './store.ts'
import { tightenedRevision } from './tighten.ts'

/** What a run was judged by, and the same with all that the edition demands. */
export interface Tightened {
  readonly own: CompiledRevision
  readonly to: CompiledRevision
  readonly screen: Screen | null
}

/** An instant at which every edition that is read here is in effect. */
const IN_EFFECT = 0

/**
 * For runs judged by these revisions (by plan and number), what the edition would have made of the revision; undefined for
 * a run of which it demands no more. Whose product was another when it was tested is asked about as it was then.
 * `content-changed` where the edition's content is no longer the one that was asked about.
 */
export async function readTightened(
  sql: Sql,
  scope: EditionScope,
  runs: readonly { readonly run: AskedRun; readonly revision: Revision }[],
): Promise<((run: AskedRun) => Tightened | undefined) | 'content-changed'> {
  const timeline = await readTables(sql, scope)
  if (timeline === undefined) return 'content-changed'
  const versions = await readVersions(sql, runs)
  const made = new Map<string, Tightened | undefined>()
  const byRun = new Map<AskedRun, Tightened | undefined>()
  for (const { run, revision } of runs) {
    const version = versionInEffect(versions.get(run.product) ?? [], run.startedAt, Number.POSITIVE_INFINITY)
    const name = JSON.stringify([run.plan, run.revision, run.variant, version?.version])
    if (!made.has(name)) made.set(name, version && tightenedFor(revision, run.variant, { scope, timeline, version }))
    byRun.set(run, made.get(name))
  }
  return (run) => byRun.get(run)
}

async function readVersions(
  sql: Sql,
  runs: readonly { readonly run: AskedRun }[],
): Promise<ReadonlyMap<string, ConfirmedVersion[]>> {
  const versions = new Map<string, ConfirmedVersion[]>(runs.map(({ run }) => [run.product, []]))
  if (versions.size === 0) return versions
  for (const one of await readAllConfirmedVersions(sql, [...versions.keys()])) versions.get(one.product)?.push(one)
  return versions
}

function tightenedFor(
  { content }: Revision,
  variant: string,
  at: { readonly scope: EditionScope; readonly timeline: RuleTimeline; readonly version: ConfirmedVersion },
): Tightened | undefined {
  const { scope, timeline, version } = at
  const own = compiledRevision(content, variant)
  if ('missing' in own || !variantNames(version.content).includes(variant)) return undefined
  const to = tightenedRevision(content, own, (subject, step) =>
    timeline
      .inEffectAt(IN_EFFECT, version)
      .requirements({ subject, version, variant, step })
      .filter(({ table }) => table === scope.table),
  )
  return to && { own, to, screen: screenBetween(own, to) }
}

/** The edition, and those beside it that may take a demand out of it; undefined where it cannot be asked about any more. */
async function readTables(sql: Sql, scope: EditionScope): Promise<RuleTimeline | undefined> {
  const { table, edition } = scope
  const read = await readEditions(sql, [{ table, edition }, ...scope.beside])
  const asked = read.find((one) => one.table === table && one.edition === edition)
  if (asked?.digest !== scope.digest) return undefined
  const tables = read.map((one, index): PublishedTable => {
    const compiled = compileTable(one.content)
    return {
      table: one.table,
      edition: one.edition,
      effectiveFrom: IN_EFFECT,
      rulesVersion: index + 1,
      publishedAt: IN_EFFECT,
      bindsBecause: bindsBecause(one, scope),
      compiled: 'refusals' in compiled ? null : compiled.table,
    }
  })
  if (tables.some((one) => one.table === table && one.compiled === null)) return undefined
  return ruleTimeline(tables, tables.length)
}

function bindsBecause({ table, bindsBecause: published }: Edition, scope: EditionScope): string | undefined {
  return (table === scope.table ? scope.bindsBecause : published) ?? undefined
}
