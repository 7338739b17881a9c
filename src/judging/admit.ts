import { normaliseSerial } from '../products/serial.ts'
import { variantNames, versionInEffect } from '../products/versions.ts'
import type { Calibration } from '../stations/calibration.ts'
import { holds } from '../stations/instrument-assignment.ts'
import { readClock } from './admit-clock.ts'
import { checkShape, checkTimes } from './admit-shape.ts'
import { answerStart, stateAt } from './admit-start.ts'
import { type CompiledRevision, compiledRevision, exceedsMs } from './compile.ts'
import { type Facts, factOf, type ProductFact, type ProductVersionFact, type RevisionFact, siteOf } from './facts.ts'
import type { PermitFact } from './permits.ts'
import { type RunWorth, UNDOUBTED } from './run-support.ts'
import { type CodeFound, type Outcome, outcomeOf, type Upload, type UploadCode } from './words.ts'

export interface AdmitContext {
  /** Milliseconds since the epoch, by the server's clock. */
  readonly receivedAt: number
  /** When the batch of which it is a line began to arrive; left out for an upload by itself. */
  readonly arrivingFrom?: number | undefined
  /** Who sent it. A person's key uploads for no station. */
  readonly actor:
    | { readonly kind: 'station' | 'gateway'; readonly stations: readonly string[] }
    | { readonly kind: 'person' }
  /** Put before every pointer: '' for a body that is the upload. */
  readonly pointerRoot: string
}

export interface Admission {
  readonly outcome: Outcome
  /** All that apply; the worst outcome counts. */
  readonly codes: readonly CodeFound[]
  readonly skewMs: number
  /** The start that counts; null where it cannot be placed in time. */
  readonly startedAtUsed: number | null
  /** By the product's rule; null where the rule refuses it, or the product is unknown. */
  readonly serial: string | null
  readonly operation: string | null
  /** The version that the revision cites. */
  readonly productVersion: number | null
  /** The calibration that the verdict rests on. */
  readonly calibration: Calibration | null
  /** The editions that applied at the start, as `table/edition`, by the revision's check. */
  readonly editions: readonly string[]
  readonly revision: RevisionFact | null
  /** What the run is judged by; null where it is rejected for want of it. */
  readonly compiled: CompiledRevision | null
  /** The run may count, but its revision has no check at the rules version of the facts: check it, and ask again. */
  readonly needsCheck: boolean
  /** Deviation permits that hold at the start, for this variant and site. */
  readonly permits: readonly PermitFact[]
  /** Where it is accepted: admitted by what was known when it was tested, it may not rest on anything any more. */
  readonly worth: RunWorth
}

/**
 * Whether an upload may count, with every code that speaks against it. Pure and total: the facts that `needsOf` names
 * must be loaded. A start that cannot be trusted is asked nothing that depends on it.
 */
export function admit(upload: Upload, facts: Facts, context: AdmitContext): Admission {
  const { receivedAt, arrivingFrom, pointerRoot } = context
  const codes: CodeFound[] = [...checkTimes(upload, pointerRoot), ...askSender(upload, facts, context)]
  const clock = readClock(upload, siteOf(facts).openedAt, receivedAt, arrivingFrom)
  codes.push(...clock.codes)

  const product = factOf(facts, 'product', upload.product)
  const found = factOf(facts, 'revision', `${upload.plan}/${upload.revision}`)
  const isOfProduct = found !== null && found.content.product === upload.product
  codes.push(...askRevision(upload, found, isOfProduct))
  const version = versionFor(product, isOfProduct ? found : null, clock.startedAtUsed ?? receivedAt, facts.rulesVersion)
  if (version === undefined) codes.push({ code: 'product-unknown', facts: { product: upload.product } })
  const serial = askSerial(upload, version, pointerRoot, codes)
  const isVariantKnown = askVariant(upload, version, pointerRoot, codes)

  // What the revision says is asked only where it is the one that the station meant.
  const meant = isOfProduct && found.digest === upload.revisionDigest && isVariantKnown ? found : null
  const compiled = meant === null ? null : askContent(upload, meant, pointerRoot, codes)

  const isTrusted = clock.codes.length === 0
  let calibration: Calibration | undefined
  let worth = UNDOUBTED
  let permits: readonly PermitFact[] = []
  if (isTrusted) {
    const [sent, corrected] = clock.starts
    const stateOf = (at: number) => stateAt(upload, facts, isVariantKnown && isOfProduct ? found : null, at)
    const used = stateOf(corrected ?? sent)
    const answer = answerStart(upload, found, used, corrected === undefined ? undefined : stateOf(sent))
    codes.push(...answer.codes)
    calibration = answer.calibration
    worth = answer.worth
    permits = answer.permits
  } else if (clock.startedAtUsed !== null) {
    // Nothing is refused by it, but the record still says which calibration was current then.
    calibration = stateAt(upload, facts, null, clock.startedAtUsed).support?.calibration
  }

  const outcome = outcomeOf(codes)
  return {
    outcome,
    codes: codes.map((code) => placed(code, pointerRoot)),
    skewMs: clock.skewMs,
    startedAtUsed: clock.startedAtUsed,
    serial,
    operation: found?.content.operation ?? null,
    productVersion: found?.content.productVersion ?? null,
    calibration: calibration ?? null,
    editions: editionsAt(found, clock.startedAtUsed ?? receivedAt),
    revision: found,
    compiled,
    needsCheck: outcome !== 'rejected' && isTrusted && found !== null && found.check === null,
    worth: outcome === 'accepted' ? worth : UNDOUBTED,
    permits,
  }
}

/** The member that a code is about, where the code itself does not say it. */
const MEMBERS: Partial<Record<UploadCode, string>> = {
  'product-unknown': '/product',
  'product-plan-mismatch': '/product',
  'revision-unknown': '/revision',
  'digest-mismatch': '/revisionDigest',
  'revision-stale': '/revision',
  'revision-not-yet-in-force': '/revision',
  'revision-blocked': '/revision',
  'attribute-missing': '/variant',
  'instrument-mismatch': '/instrument',
  'calibration-expired': '/instrument',
  'programming-not-current': '/programming',
  'check-missing': '/station',
  'station-locked': '/station',
  'clock-skew': '/sentAt',
  'clock-implausible': '/startedAt',
  'clock-stepped': '/sentAt',
  'start-uncertain': '/startedAt',
  'run-too-long': '/endedAt',
}

function placed(found: CodeFound, root: string): CodeFound {
  const member = MEMBERS[found.code]
  return found.pointer !== undefined || member === undefined ? found : { ...found, pointer: `${root}${member}` }
}

/** Judged by what applied at the start; before the first interval the revision was not in force, and nothing did. */
function editionsAt(revision: RevisionFact | null, at: number): readonly string[] {
  return revision?.check?.applied.find((interval) => holds(interval, at))?.editions ?? []
}

/** Whose upload it is, and what it is for. */
function askSender(upload: Upload, facts: Facts, { actor, pointerRoot }: AdmitContext): CodeFound[] {
  const codes: CodeFound[] = []
  const { station, person, purpose } = upload
  if (factOf(facts, 'station', station) === null) {
    codes.push({ code: 'station-unknown', pointer: `${pointerRoot}/station`, facts: { station } })
  } else if (actor.kind === 'person' || !actor.stations.includes(station)) {
    codes.push({ code: 'station-mismatch', pointer: `${pointerRoot}/station`, facts: { station } })
  }
  if (factOf(facts, 'person', person) === null) {
    codes.push({ code: 'person-unknown', pointer: `${pointerRoot}/person`, facts: { person } })
  }
  if (purpose !== 'production') {
    codes.push({ code: 'purpose-not-allowed', pointer: `${pointerRoot}/purpose`, facts: { purpose } })
  }
  return codes
}

function askRevision(upload: Upload, found: RevisionFact | null, isOfProduct: boolean): CodeFound[] {
  const { plan, product, revisionDigest } = upload
  const revision = String(upload.revision)
  if (found === null) return [{ code: 'revision-unknown', facts: { plan, revision } }]
  const codes: CodeFound[] = []
  if (found.digest !== revisionDigest) {
    codes.push({ code: 'digest-mismatch', facts: { plan, revision, cited: revisionDigest, actual: found.digest } })
  }
  if (!isOfProduct) {
    codes.push({
      code: 'product-plan-mismatch',
      facts: { plan, revision, product, planProduct: found.content.product },
    })
  }
  return codes
}

/**
 * The product version whose word on serials and variants counts: the one in effect at the start, since a unit is labelled
 * by the rule of its day, whichever version its plan cites; before the first the one cited, else the last.
 */
function versionFor(
  product: ProductFact | null,
  revision: RevisionFact | null,
  at: number,
  rulesVersion: number,
): ProductVersionFact | undefined {
  if (product === null) return undefined
  const cited = product.versions.find(({ version }) => version === revision?.content.productVersion)
  return versionInEffect(product.versions, at, rulesVersion) ?? cited ?? product.versions.at(-1)
}

function askSerial(
  upload: Upload,
  version: ProductVersionFact | undefined,
  root: string,
  codes: CodeFound[],
): string | null {
  if (version === undefined) return null
  const read = normaliseSerial(version.compiledSerialRule, upload.serial)
  if ('serial' in read) return read.serial
  codes.push({ code: read.refused, pointer: `${root}/serial`, facts: { detail: read.detail } })
  return null
}

/** Whether the variant is one of the product by that version; whether the plan has it is asked of its rows. */
function askVariant(
  { variant }: Upload,
  version: ProductVersionFact | undefined,
  root: string,
  codes: CodeFound[],
): boolean {
  if (version === undefined) return false
  const refuse = (detail: string) => {
    codes.push({ code: 'field-invalid', pointer: `${root}/variant`, facts: { detail } })
    return false
  }
  const known = variantNames(version.content)
  const hasVariants = !known.includes('')
  if (variant === undefined) return hasVariants ? refuse('is needed, since the product has variants') : true
  return known.includes(variant) ? true : refuse(`version ${version.version} of the product has no variant ${variant}`)
}

/** Compiles the revision for the variant and compares the upload's shape with it. */
function askContent(upload: Upload, revision: RevisionFact, root: string, codes: CodeFound[]): CompiledRevision | null {
  const compiled = compiledRevision(revision.content, upload.variant ?? '')
  if ('missing' in compiled) {
    const { step, measurement, member } = compiled.missing
    codes.push({ code: 'attribute-missing', facts: { variant: upload.variant ?? '', step, measurement, member } })
    return null
  }
  codes.push(...checkShape(upload, compiled, root))
  const ranMs = upload.endedAt - upload.startedAt
  if (exceedsMs(ranMs, compiled.runDurationMaxMs)) {
    codes.push({ code: 'run-too-long', facts: { ranMs: String(ranMs), most: compiled.runDurationMaxText } })
  }
  return compiled
}
