import { writeFinding } from '../plans/findings.ts'
import { getPlan, getRevision } from '../plans/reads.ts'
import { readRuleBook, readRulesNow } from '../plans/reads-rules.ts'
import type { RuleBook } from '../plans/replay.ts'
import type { PlanContent } from '../plans/words.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { fieldInvalid, Problem, type ProblemKey, unknownReference } from '../platform/problems.ts'
import { getProduct, getVersion } from '../products/reads.ts'
import { type ConfirmedVersion, variantNames, versionInEffect } from '../products/versions.ts'
import { cautionsFor, GOVERNING } from '../stations/cautions.ts'
import { getInstrument, getSite } from '../stations/reads.ts'
import { proposePlan } from './propose.ts'
import { selectReadings } from './store.ts'
import type { Proposal, ProposalRequest } from './words.ts'

/**
 * A plan proposed for a product, or the next revision of one. Nothing is stored: the answer is content that an author may
 * send as a draft, and a second person then approves like any other.
 * @throws Problem `field-invalid`, `reference-unknown` naming the member of the request
 */
export async function readProposal(database: Database, plan: string, request: ProposalRequest): Promise<Proposal> {
  const { sql } = database
  const { rulesVersion, at } = await readRulesNow(database)
  const before = await newestRevision(sql, plan, at)
  const product = productOf(before?.content, request)
  const book = await readRuleBook(database, sql, rulesVersion, [product])
  const { version, isConfirmed } = await findVersion(sql, book, { product, request, at })
  const operation = operationOf(before?.content, version, request)
  const site = request.site ?? undefined
  if (site !== undefined) await orUnknown(getSite(sql, site), 'site-not-found', '/site')
  const instrument = request.instrument
    ? await orUnknown(getInstrument(sql, request.instrument), 'instrument-not-found', '/instrument')
    : undefined
  const readingsOf = readingsOfVariants(version, request)
  const readings = await selectReadings(sql, { product, operation, variants: readingsOf, site })
  const { content, reasons, open, check } = proposePlan({
    plan,
    revision: Math.min((before?.revision ?? 0) + 1, NUMBER_MAX),
    operation,
    // The next revision of a plan for some sites is not one for all.
    sites: site === undefined ? (before?.content.sites ?? undefined) : [site],
    version,
    isConfirmed,
    versions: isConfirmed ? book.versionsOf(product) : [...book.versionsOf(product), version],
    timeline: book.timelineAt(rulesVersion),
    from: Math.max(at, version.effectiveFrom),
    before: before?.content,
    readings,
    readingsOf,
    instrument: instrument && { instrument: instrument.instrument, capabilities: instrument.capabilities },
  })
  return {
    content,
    reasons: [...reasons],
    open: [...open],
    check: {
      rulesVersion,
      verdict: check.verdict,
      editions: [...check.editions],
      findings: check.findings.map(writeFinding),
    },
    cautions: cautionsFor(content.steps.map(({ kind }) => kind)),
    governing: GOVERNING,
  }
}

/** Of a revision, as the database holds it. */
const NUMBER_MAX = 2_147_483_647

interface Newest {
  readonly revision: number
  readonly content: PlanContent
}

/** Undefined where there is no such plan yet. */
async function newestRevision(sql: Sql, plan: string, at: number): Promise<Newest | undefined> {
  const known = await orUndefined(getPlan(sql, plan, at), 'plan-not-found')
  if (known === undefined) return undefined
  const { revision, content } = await getRevision(sql, { plan, revision: known.latestRevision })
  return { revision, content }
}

/** A plan stays with its product. */
function productOf(before: PlanContent | undefined, { product }: ProposalRequest): string {
  if (before === undefined) {
    if (product) return product
    throw fieldInvalid('/product', 'is required for a plan that has no revision yet', 'field-missing')
  }
  if (product && product !== before.product) throw fieldInvalid('/product', `the plan is for ${before.product}`)
  return before.product
}

function operationOf(
  before: PlanContent | undefined,
  { content }: ConfirmedVersion,
  { operation }: ProposalRequest,
): string {
  if (before !== undefined) {
    if (operation && operation !== before.operation)
      throw fieldInvalid('/operation', `the plan is for ${before.operation}`)
    return before.operation
  }
  if (operation) return operation
  const [only, ...others] = content.operationsRequired
  if (only !== undefined && others.length === 0) return only
  const detail = `must be named, since the product requires ${content.operationsRequired.join(', ')}`
  throw fieldInvalid('/operation', detail, 'field-missing')
}

async function findVersion(
  sql: Sql,
  book: RuleBook,
  { product, request, at }: { readonly product: string; readonly request: ProposalRequest; readonly at: number },
): Promise<{ version: ConfirmedVersion; isConfirmed: boolean }> {
  const confirmed = book.versionsOf(product)
  const inEffect = versionInEffect(confirmed, at, book.rulesVersion)
  if (!request.productVersion && inEffect) return { version: inEffect, isConfirmed: true }
  const { latestVersion } = await orUnknown(getProduct(sql, product, at), 'product-not-found', '/product')
  const asked = request.productVersion ?? latestVersion
  const known = confirmed.find(({ version }) => version === asked)
  if (known !== undefined) return { version: known, isConfirmed: true }
  const { content, digest } = await orUnknown(getVersion(sql, product, asked), 'version-not-found', '/productVersion')
  // As it would be if it were confirmed now.
  const { rulesVersion } = book
  const version = { product, version: asked, digest, content, effectiveFrom: at, rulesVersion, publishedAt: at - 1 }
  return { version, isConfirmed: false }
}

function readingsOfVariants({ content }: ConfirmedVersion, { variants }: ProposalRequest): readonly string[] {
  const names = variantNames(content)
  variants?.forEach((variant, index) => {
    if (names.includes(variant)) return
    throw unknownReference(
      `/variants/${index}`,
      `Version ${content.version} of ${content.product} has no variant ${variant}.`,
    )
  })
  return variants ?? names
}

/** What is found, or undefined where the answer is that there is none. */
async function orUndefined<Found>(read: Promise<Found>, missing: ProblemKey): Promise<Found | undefined> {
  try {
    return await read
  } catch (error) {
    if (error instanceof Problem && error.key === missing) return undefined
    throw error
  }
}

/** @throws Problem `reference-unknown` naming the member where there is none */
async function orUnknown<Found>(read: Promise<Found>, missing: ProblemKey, pointer: string): Promise<Found> {
  const found = await orUndefined(read, missing)
  if (found === undefined) throw unknownReference(pointer, 'There is none of this name or number.')
  return found
}
