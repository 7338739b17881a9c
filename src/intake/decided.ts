import type { MachineActor } from '../access/words.ts'
import { type Decision, decide } from '../judging/decide.ts'
import { type FactKey, type Facts, factOf, needsOf, revisionKey, siteOf } from '../judging/facts.ts'
import type { CodeFound, Outcome } from '../judging/words.ts'
import { normaliseSerial } from '../products/serial.ts'
import { versionInEffect } from '../products/versions.ts'
import type { UploadRead } from './read-upload.ts'

/** One upload that could be read as a JSON object, with what the server stamped on it. */
export interface Received {
  readonly actor: MachineActor
  readonly read: Exclude<UploadRead, { readonly kind: 'unreadable' }>
  readonly raw: Buffer
  readonly receivedAt: number
  /** The run's id and the upload's: a UUIDv7 minted from `receivedAt`. */
  readonly runId: string
  /** Where it is a line of a batch. */
  readonly batch?: BatchLine | undefined
}

/** Which line of which batch, counted from 1, and when the batch began to arrive. */
export interface BatchLine {
  readonly batchId: string
  readonly line: number
  readonly arrivingFrom: number
}

/** What is made of an upload by the facts at one version of the gate. */
export interface Decided {
  readonly outcome: Outcome
  readonly codes: readonly CodeFound[]
  /** Null where fields were refused while it was read: then nothing was admitted or judged. */
  readonly decision: Decision | null
  readonly serial: string | null
  readonly operation: string | null
  /** Where it stands in the unit's history; null where no start can be placed. */
  readonly startedAt: number | null
  /** The station it is filed under; null where the sender may not speak for the one it names. */
  readonly station: string | null
  readonly needsCheck: boolean
}

/** The facts that deciding asks for. */
export function needsOfReceived({ read, actor }: Received): FactKey[] {
  if (read.kind === 'read') return needsOf(read.upload, { site: actor.site, key: actor.key })
  const { station, product, plan, revision } = read.claim
  const needs: FactKey[] = [`site/${actor.site}`, `key/${actor.key}`]
  if (station !== undefined) needs.push(`station/${station}`)
  if (product !== undefined) needs.push(`product/${product}`)
  if (plan !== undefined && revision !== undefined) needs.push(revisionKey(plan, revision))
  return needs
}

/** Decides one upload; pure. Its needs must be loaded. */
export function decideReceived(received: Received, facts: Facts): Decided {
  const { read, actor, receivedAt, batch } = received
  if (read.kind === 'read') {
    const context = { receivedAt, arrivingFrom: batch?.arrivingFrom, actor, pointerRoot: '' }
    const decision = decide(read.upload, facts, context)
    const station = actor.stations.includes(read.upload.station) ? read.upload.station : null
    return decidedBy(decision, station)
  }
  const { claim } = read
  const station = claim.station !== undefined && actor.stations.includes(claim.station) ? claim.station : null
  const codes: CodeFound[] = [...read.codes]
  if (claim.station !== undefined && station === null) {
    const isKnown = factOf(facts, 'station', claim.station) !== null
    codes.push({
      code: isKnown ? 'station-mismatch' : 'station-unknown',
      pointer: '/station',
      facts: { station: claim.station },
    })
  }
  const revision =
    claim.plan === undefined || claim.revision === undefined
      ? null
      : factOf(facts, 'revision', `${claim.plan}/${claim.revision}`)
  return {
    outcome: 'rejected',
    codes,
    decision: null,
    serial: serialOf(received, facts),
    operation: revision?.content.operation ?? null,
    startedAt: isPlausible(claim.startedAt, siteOf(facts).openedAt, receivedAt) ? claim.startedAt : null,
    station,
    needsCheck: false,
  }
}

function decidedBy(decision: Decision, station: string | null): Decided {
  const { admission } = decision
  return {
    outcome: decision.outcome,
    codes: decision.codes,
    decision,
    serial: admission.serial,
    operation: admission.operation,
    startedAt: admission.startedAtUsed,
    station,
    needsCheck: admission.needsCheck,
  }
}

/** The upload as the permits that it needs would have it; undefined where it needs none, or none would help. */
export function underPermits({
  decision,
  station,
}: Decided): { permits: readonly string[]; decided: Decided } | undefined {
  const permitted = decision?.permitted
  return permitted ? { permits: permitted.permits, decided: decidedBy(permitted.decision, station) } : undefined
}

/** The serial number of a refused upload, where what it claims names a unit by its product's rule. */
function serialOf({ read: { claim }, receivedAt }: Received, facts: Facts): string | null {
  if (claim.product === undefined || claim.serial === undefined) return null
  const versions = factOf(facts, 'product', claim.product)?.versions ?? []
  const version = versionInEffect(versions, receivedAt, facts.rulesVersion) ?? versions.at(-1)
  if (version === undefined) return null
  const read = normaliseSerial(version.compiledSerialRule, claim.serial)
  return 'serial' in read ? read.serial : null
}

function isPlausible(startedAt: number | undefined, openedAt: number, receivedAt: number): startedAt is number {
  return startedAt !== undefined && openedAt <= startedAt && startedAt <= receivedAt
}
