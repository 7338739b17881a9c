import type { JsonValue } from '../exact/json.ts'
import { isWellFormedText } from '../exact/text.ts'
import { readInstant } from '../exact/time.ts'
import { type StationVerdict, stationVerdicts } from '../judging/words.ts'
import { RAW_LENGTH_MAX } from '../products/serial.ts'

/**
 * What an upload says of itself, read from whatever could be read, also where other fields are wrong: enough to file a
 * refused upload under its key and to keep a reported failure in the unit's history (design promise 5).
 */
export interface Claim {
  readonly station?: string
  readonly uploadKey?: string
  readonly sequenceNumber?: number
  readonly sentAt?: number
  readonly startedAt?: number
  readonly purpose?: string
  readonly product?: string
  readonly variant?: string
  /** As sent. */
  readonly serial?: string
  readonly plan?: string
  readonly revision?: number
  readonly instrument?: string
  readonly attemptCause?: string
  readonly stationVerdict?: StationVerdict
  /** The station said `fail` of the run or a step, a measurement ended by over-current, breakdown or arc, or a look found it nonconforming. */
  readonly reportedFailure: boolean
}

const KEY = /^[A-Za-z0-9._:-]{1,64}$/
const REVISION_MAX = 2_147_483_647
const FAILURES: ReadonlySet<JsonValue> = new Set<JsonValue>(['over-current', 'breakdown', 'arc'])

/** Reads the claim of one JSON object; members of the wrong form are left out. */
export function claimOf(body: { readonly [member: string]: JsonValue }): Claim {
  const { serial, revision, sequenceNumber, stationVerdict } = body
  const claim: Writable<Claim> = {
    reportedFailure: stationVerdict === 'fail' || listOf(body['steps']).some(isFailedStep),
  }
  // One object filled member by member: this runs for every upload, and a spread for each member costs three times as much.
  for (const name of KEYS) {
    const value = body[name]
    if (typeof value === 'string' && KEY.test(value)) claim[name] = value
  }
  for (const name of INSTANTS) {
    const read = readInstant(body[name])
    if ('at' in read) claim[name] = read.at
  }
  if (isCount(sequenceNumber)) claim.sequenceNumber = sequenceNumber
  if (typeof serial === 'string' && serial.length <= RAW_LENGTH_MAX && isWellFormedText(serial)) claim.serial = serial
  if (isCount(revision) && revision <= REVISION_MAX) claim.revision = revision
  if (isStationVerdict(stationVerdict)) claim.stationVerdict = stationVerdict
  return claim
}

type Writable<Type> = { -readonly [Member in keyof Type]: Type[Member] }

const KEYS = ['station', 'uploadKey', 'purpose', 'product', 'variant', 'plan', 'instrument', 'attemptCause'] as const
const INSTANTS = ['sentAt', 'startedAt'] as const

function isFailedStep(step: JsonValue): boolean {
  return (
    memberOf(step, 'stationVerdict') === 'fail' ||
    listOf(memberOf(step, 'measurements')).some(
      (one) =>
        memberOf(one, 'stationVerdict') === 'fail' ||
        memberOf(one, 'conformity') === 'nonconforming' ||
        FAILURES.has(memberOf(one, 'termination') ?? null),
    )
  )
}

function memberOf(value: JsonValue, member: string): JsonValue | undefined {
  if (typeof value !== 'object' || value === null || Array.isArray(value) || !Object.hasOwn(value, member))
    return undefined
  return (value as { [member: string]: JsonValue })[member]
}

function listOf(value: JsonValue | undefined): readonly JsonValue[] {
  return Array.isArray(value) ? value : []
}

function isStationVerdict(value: JsonValue | undefined): value is StationVerdict {
  return stationVerdicts.some((word) => word === value)
}

function isCount(value: JsonValue | undefined): value is number {
  return typeof value === 'number' && Number.isSafeInteger(value) && value >= 0
}
