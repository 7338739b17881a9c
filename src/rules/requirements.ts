/**
 * What the tables in effect demand of one step of one variant, and whether a revision meets it.
 *
 * Every applying table must be met. What its matching rows mean is said by its hit policy: under C, R and O they are
 * alternatives, one of which must be met wholly (under R and O the first that is met is the one named); under U there may
 * be only one, under A they must demand the same; under F, P, C< and C> one of them counts. What cannot be settled (no
 * row, two rows under U, an attribute or a result that is missing) always blocks: a table that could not be compared is
 * never a pass. Rows bind when verified for routine tests, or when the publication states a reason; a row that does not
 * bind is no way round one that does, and a table with no binding row among those that match only warns.
 */
import { applies, type CompiledRow, type CompiledTable, matchRows, valueNotAllowed } from './compile-table.ts'
import {
  type Accepted,
  compareDemand,
  compareRelative,
  type Demand,
  type DemandComparison,
  leastRelative,
  type RelativeMargin,
  relativeMargin,
  sameDemands,
} from './demand.ts'
import { type HitReader, settleHits } from './hit-policy.ts'
import type { Attributes } from './inputs.ts'
import type { Override, Parameter, RequirementCode, Subject } from './words.ts'

/** A published edition in effect. `bindsBecause` makes rows bind that no verified source of routine tests states. */
export interface EditionInEffect {
  readonly table: CompiledTable
  readonly bindsBecause?: string | null | undefined
}

/** Why a row binds: a verified source says it of routine tests, the publisher stated a reason, or it does not. */
export type Binding = 'verified' | 'stated-reason' | 'none'

/** A demand of a table that another one removed where both apply. */
export interface Overridden {
  readonly parameter: Parameter
  readonly byTable: string
  readonly byEdition: number
  readonly reason: string
  /** Takes a demand out of a table that has conditions, and has none itself. Absent otherwise. */
  readonly isBroader?: true
}

interface OfTable {
  readonly table: string
  readonly edition: number
  readonly overridden: readonly Overridden[]
}

export interface RequiredRow {
  readonly row: CompiledRow
  readonly binding: Binding
  readonly demands: readonly Demand[]
}

export type UnresolvedCode = Extract<
  RequirementCode,
  'rule-gap' | 'rule-ambiguous' | 'attribute-missing' | 'formula-uncomputable'
>

/** A table that applies but leaves open what it demands. */
export interface Unresolved extends OfTable {
  readonly kind: 'unresolved'
  readonly code: UnresolvedCode
  /** The rows concerned: those that match under `rule-ambiguous`, the one with the formula. */
  readonly rows: readonly string[]
  /** The attribute that is missing or, under `rule-gap`, has a value that the table does not declare. */
  readonly attribute?: string | undefined
  readonly parameter?: Parameter | undefined
  readonly because?: 'division-by-zero' | 'range-empty' | undefined
}

export interface Alternatives extends OfTable {
  readonly kind: 'alternatives'
  /** Whether not meeting them blocks; otherwise it warns. */
  readonly binds: boolean
  /** One of these must be met wholly. Where any row binds, only those that bind are among them. */
  readonly rows: readonly RequiredRow[]
  /** Whether they stand in the order in which they are preferred. */
  readonly inOrder: boolean
}

export type Requirement = Alternatives | Unresolved

/**
 * What the editions demand of one step, or of the plan as a whole, for a product with these attributes. Independent of
 * any revision, so a caller may keep it for all revisions that share attributes.
 */
export function requirementsFor(
  editions: Iterable<EditionInEffect>,
  inHand: { readonly subject: Subject; readonly ruleSets: ReadonlySet<string>; readonly attributes: Attributes },
): Requirement[] {
  const applying: Applying[] = []
  for (const { table, bindsBecause } of editions) {
    if (table.subject !== inHand.subject || !inHand.ruleSets.has(table.ruleSet)) continue
    const matched = match(table, inHand.attributes)
    if (matched) applying.push({ table, stated: (bindsBecause ?? '').trim() !== '', matched })
  }
  const overrides = overridesInEffect(applying)
  return applying.map((one) => resolve(one, overrides.get(one.table.table) ?? [], inHand.attributes))
}

interface Applying {
  readonly table: CompiledTable
  readonly stated: boolean
  readonly matched: { readonly rows: readonly CompiledRow[] } | Omit<Unresolved, keyof OfTable>
}

/** Undefined where the table is silent. */
function match(table: CompiledTable, attributes: Attributes): Applying['matched'] | undefined {
  const applying = applies(table, attributes)
  if (applying === false) return undefined
  if (applying !== true) return unresolved('attribute-missing', [], { attribute: applying.missing })
  const matched = matchRows(table, attributes)
  if ('missing' in matched) return unresolved('attribute-missing', [], { attribute: matched.missing })
  if (matched.rows.length === 0) return unresolved('rule-gap', [], { attribute: valueNotAllowed(table, attributes) })
  if (table.hitPolicy === 'U' && matched.rows.length > 1) return unresolved('rule-ambiguous', matched.rows)
  return matched
}

function unresolved(
  code: UnresolvedCode,
  rows: readonly CompiledRow[],
  facts: Pick<Unresolved, 'attribute' | 'parameter' | 'because'> = {},
): Omit<Unresolved, keyof OfTable> {
  return { kind: 'unresolved', code, rows: rows.map(({ row }) => row), ...facts }
}

function bindingOf(row: CompiledRow, stated: boolean): Binding {
  if (row.verifiedRoutine) return 'verified'
  return stated ? 'stated-reason' : 'none'
}

/**
 * What is removed from each table, by its key. INVARIANT: an override never leaves less than it puts in place. So only a
 * table whose matching rows all bind overrides, and tables that override each other in a circle all stay whole.
 */
function overridesInEffect(applying: readonly Applying[]): Map<string, Overridden[]> {
  const edges: { by: CompiledTable; override: Override }[] = []
  for (const { table, stated, matched } of applying) {
    if (table.overrides.length === 0 || !('rows' in matched) || 'code' in matched) continue
    if (matched.rows.some((row) => bindingOf(row, stated) === 'none')) continue
    for (const override of table.overrides) edges.push({ by: table, override })
  }
  const removed = new Map<string, Overridden[]>()
  for (const { by, override } of edges) {
    const { table, parameter, reason } = override
    if (reaches(edges, { from: table, to: by.table, parameter })) continue
    const ofTable = removed.get(table) ?? []
    const overridden = { parameter, byTable: by.table, byEdition: by.edition, reason }
    const losing = applying.find((one) => one.table.table === table)
    ofTable.push(losing && isBroader(by, losing, parameter) ? { ...overridden, isBroader: true } : overridden)
    removed.set(table, ofTable)
  }
  return removed
}

/** Whether a table without conditions takes a demand, which is there, out of one with conditions. */
function isBroader(by: CompiledTable, { table, matched }: Applying, parameter: Parameter): boolean {
  if (!('rows' in matched) || 'code' in matched || hasConditions(by) || !hasConditions(table)) return false
  return matched.rows.some(({ cells }) => cells.some((cell) => cell.parameter === parameter))
}

function hasConditions({ appliesWhen }: CompiledTable): boolean {
  return appliesWhen.some(({ test }) => !test.any)
}

/** Whether the table `from` overrides `to`, itself or through others, in this parameter. */
function reaches(
  edges: readonly { by: CompiledTable; override: Override }[],
  asked: { readonly from: string; readonly to: string; readonly parameter: Parameter },
): boolean {
  const seen = new Set([asked.from])
  for (const table of seen) {
    if (table === asked.to) return true
    for (const { by, override } of edges) {
      if (by.table === table && override.parameter === asked.parameter) seen.add(override.table)
    }
  }
  return false
}

function resolve(
  { table, stated, matched }: Applying,
  removed: readonly Overridden[],
  attributes: Attributes,
): Requirement {
  const ofTable = { table: table.table, edition: table.edition, overridden: removed }
  if ('code' in matched) return { ...ofTable, ...matched }
  const rows: RequiredRow[] = []
  let binds = false
  for (const row of rowsThatCount(table, matched.rows, stated)) {
    const demands: Demand[] = []
    for (const cell of row.cells) {
      if (removed.some(({ parameter }) => parameter === cell.parameter)) continue
      const resolved = cell.resolve(attributes)
      if ('demand' in resolved) demands.push(resolved.demand)
      else {
        const { parameter } = cell
        return 'missing' in resolved
          ? { ...ofTable, ...unresolved('attribute-missing', [row], { attribute: resolved.missing, parameter }) }
          : { ...ofTable, ...unresolved('formula-uncomputable', [row], { parameter, because: resolved.uncomputable }) }
      }
    }
    const binding = bindingOf(row, stated)
    if (binding !== 'none') binds = true
    rows.push({ row, binding, demands })
  }
  const settled = settleDemands(table.hitPolicy, binds, rows)
  if (settled === 'different') return { ...ofTable, ...unresolved('rule-ambiguous', matched.rows) }
  return {
    // Written out: spreading an object here takes longer than all the comparing.
    table: table.table,
    edition: table.edition,
    overridden: removed,
    kind: 'alternatives',
    binds,
    rows: settled,
    inOrder: table.hitPolicy === 'R' || table.hitPolicy === 'O',
  }
}

const ofRows: HitReader<CompiledRow> = {
  same: () => false,
  places: ({ places }) => places,
  number: () => undefined,
}

/** The matching rows whose demands must be known: all, or the one that a policy chooses without asking for demands. */
function rowsThatCount(
  { hitPolicy }: CompiledTable,
  matching: readonly CompiledRow[],
  stated: boolean,
): readonly CompiledRow[] {
  if (hitPolicy !== 'F' && hitPolicy !== 'P' && hitPolicy !== 'O') return matching
  const binding = matching.filter((row) => bindingOf(row, stated) !== 'none')
  const settled = settleHits(hitPolicy, binding.length > 0 ? binding : matching, ofRows)
  if (settled.kind === 'one') return [settled.hit]
  return settled.kind === 'list' ? settled.hits : matching
}

const ofDemands: HitReader<RequiredRow> = {
  same: (a, b) => sameDemands(a.demands, b.demands),
  places: ({ row }) => row.places,
  number: ({ demands: [demand] }) => (demand?.kind === 'number' ? demand.value : undefined),
}

/** The rows of which one must be met. Where any row binds, only those that bind are among them. */
function settleDemands(
  policy: CompiledTable['hitPolicy'],
  binds: boolean,
  rows: readonly RequiredRow[],
): readonly RequiredRow[] | 'different' {
  if (policy === 'A' && settleHits(policy, rows, ofDemands).kind === 'broken') return 'different'
  const counting = binds ? rows.filter(({ binding }) => binding !== 'none') : rows
  if (policy !== 'C<' && policy !== 'C>') return counting
  // A row that demands nothing is neither the least nor the greatest.
  const demanding = counting.filter(({ demands }) => demands.length > 0)
  const settled = settleHits(policy, demanding, ofDemands)
  return settled.kind === 'one' ? [settled.hit] : counting
}

/** One table compared with a revision. */
export type RequirementOutcome =
  | (Compared & { readonly outcome: 'met' })
  /** The row is the nearest: fewest demands not met, then the smallest relative shortfall. */
  | (Compared & { readonly outcome: 'not-met'; readonly severity: 'blocking' | 'warning' })
  | (Unresolved & { readonly outcome: 'unresolved'; readonly severity: 'blocking' })

export interface Compared extends OfTable {
  readonly row: CompiledRow
  readonly binding: Binding
  /** Every demand of the row, in the order of its outputs. */
  readonly comparisons: readonly DemandComparison[]
  /** The least relative margin of these, negative where one is not met; undefined where the row demands no number. */
  readonly leastMargin: RelativeMargin | undefined
}

/** Compares a revision with everything that is demanded of it, in the order of the requirements. */
export function meetRequirements(requirements: readonly Requirement[], accepted: Accepted): RequirementOutcome[] {
  return requirements.map((requirement) => meet(requirement, accepted))
}

function meet(requirement: Requirement, accepted: Accepted): RequirementOutcome {
  if (requirement.kind === 'unresolved') return { ...requirement, outcome: 'unresolved', severity: 'blocking' }
  const { table, edition, overridden, binds } = requirement
  let best: Attempt | undefined
  for (const required of requirement.rows) {
    const attempt = attemptRow(required, accepted)
    if (!best || isBetter(attempt, best)) best = attempt
    if (requirement.inOrder && attempt.failingCount === 0) break
  }
  if (!best) throw new TypeError(`table ${table} matched without a row`)
  const { required, comparisons, leastMargin, failingCount } = best
  const { row, binding } = required
  if (failingCount === 0) {
    return { table, edition, overridden, row, binding, comparisons, leastMargin, outcome: 'met' }
  }
  const severity = binds ? 'blocking' : 'warning'
  return { table, edition, overridden, row, binding, comparisons, leastMargin, outcome: 'not-met', severity }
}

interface Attempt {
  readonly required: RequiredRow
  readonly comparisons: readonly DemandComparison[]
  readonly failingCount: number
  readonly leastMargin: RelativeMargin | undefined
}

function attemptRow(required: RequiredRow, accepted: Accepted): Attempt {
  const comparisons = required.demands.map((demand) => compareDemand(demand, accepted(demand.parameter)))
  let failingCount = 0
  for (const { met } of comparisons) if (!met) failingCount += 1
  return { required, comparisons, failingCount, leastMargin: leastRelative(comparisons.map(relativeMargin)) }
}

/** Fewer demands not met, then the greater least margin; of equals the earlier row stays. */
function isBetter(attempt: Attempt, best: Attempt): boolean {
  if (attempt.failingCount !== best.failingCount) return attempt.failingCount < best.failingCount
  if (!attempt.leastMargin || !best.leastMargin) return !attempt.leastMargin && best.leastMargin !== undefined
  return compareRelative(attempt.leastMargin, best.leastMargin) > 0
}
