import { canonicalText, digestOf } from '../exact/canonical.ts'
import { compare, decimal, formatDecimal } from '../exact/decimal.ts'
import { inUnit, readQuantity } from '../exact/quantity.ts'
import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { fieldInvalid, Problem } from '../platform/problems.ts'
import { readStored } from '../platform/versioned-words.ts'
import { type CheckResult, checkSays } from '../stations/station-check.ts'
import {
  type CheckPlan,
  type CheckPlanDraft,
  CheckPlanDraftWire,
  type ReferenceUnit,
  type ReferenceUnitDraft,
  ReferenceUnitDraftWire,
  type StationCheckAnswer,
} from './words.ts'

/** Rows of this room as values, instants in milliseconds since the epoch, and how each is answered. */

interface Signed {
  readonly confirmedAt: number | null
  readonly confirmedBy: string | null
  readonly meaning: string | null
}

interface Kept {
  /** Canonical JSON text, which the digest covers. */
  readonly content: string
  readonly digest: string
  readonly recordedAt: number
  readonly recordedBy: string
}

export interface ReferenceUnitRow extends Kept, Signed {
  readonly referenceUnit: string
  readonly withdrawnAt: number | null
  readonly withdrawnBy: string | null
  readonly withdrawalReason: string | null
}

export interface CheckPlanRow extends Kept, Signed {
  readonly station: string
  readonly number: number
  readonly effectiveFrom: number | null
}

export interface StationCheckRow {
  readonly stationCheck: string
  readonly station: string
  readonly instrument: string
  readonly at: number
  readonly results: readonly CheckResult[]
  readonly recordedAt: number
  readonly recordedBy: string
}

export const UNSIGNED: Signed = { confirmedAt: null, confirmedBy: null, meaning: null }

/** Content as it is kept, with the digest that a second person signs. */
export function kept(content: object): Pick<Kept, 'content' | 'digest'> {
  const text = canonicalText(content)
  return { content: text, digest: digestOf(text) }
}

/** @throws Error where the stored content lost its digest */
export function unitContent(row: ReferenceUnitRow): ReferenceUnitDraft {
  return ReferenceUnitDraftWire.parse(readStored(row, `reference unit ${row.referenceUnit}`))
}

/** The content names its station, so that a signature for one is none for another. */
export function planContent(station: string, draft: CheckPlanDraft): object {
  return { station, ...draft }
}

export function writeReferenceUnit(row: ReferenceUnitRow): ReferenceUnit {
  const { name, shows } = unitContent(row)
  return {
    referenceUnit: row.referenceUnit,
    name,
    shows,
    ...writeKept(row),
    withdrawnAt: writeInstantOrNull(row.withdrawnAt),
    withdrawnBy: row.withdrawnBy,
    withdrawalReason: row.withdrawalReason,
  }
}

export function writeCheckPlan(row: CheckPlanRow): CheckPlan {
  const { station, ...content } = readStored(row, `check plan ${row.number} of ${row.station}`) as { station: string }
  if (station !== row.station) throw new Error(`check plan ${row.number} of ${row.station} was made for ${station}`)
  const { kinds, validFor } = CheckPlanDraftWire.parse(content)
  return {
    station,
    checkPlan: row.number,
    kinds,
    validFor,
    ...writeKept(row),
    effectiveFrom: writeInstantOrNull(row.effectiveFrom),
  }
}

function writeKept({ digest, recordedAt, recordedBy, confirmedAt, confirmedBy, meaning }: Kept & Signed) {
  return {
    digest,
    recordedAt: writeInstant(recordedAt),
    recordedBy,
    confirmedAt: writeInstantOrNull(confirmedAt),
    confirmedBy,
    meaning,
  }
}

export function writeStationCheck(row: StationCheckRow): StationCheckAnswer {
  const kinds = [...new Set(row.results.map(({ kind }) => kind))]
  return {
    stationCheck: row.stationCheck,
    station: row.station,
    instrument: row.instrument,
    at: writeInstant(row.at),
    results: [...row.results],
    says: kinds.map((kind) => ({ kind, says: checkSays(row, kind) ?? 'nothing' })),
    recordedAt: writeInstant(row.recordedAt),
    recordedBy: row.recordedBy,
  }
}

const LEAST_MS = decimal(60_000)
const MOST_MS = decimal(31 * 86_400_000)

/**
 * How long a good check holds, in whole milliseconds.
 * @throws Problem `field-invalid` where it is no time from a minute to 31 days, or finer than a millisecond
 */
export function validForMs({ validFor }: CheckPlanDraft): number {
  const read = readQuantity(validFor)
  if (!('quantity' in read)) throw fieldInvalid('/validFor', 'must be a time')
  const ms = inUnit(read.quantity.value, 'ms')
  if (compare(ms, LEAST_MS) < 0 || compare(ms, MOST_MS) > 0) {
    throw fieldInvalid('/validFor/value', 'must be from a minute to 31 days')
  }
  const text = formatDecimal(ms)
  if (!/^[0-9]+$/.test(text)) throw fieldInvalid('/validFor/value', 'must be whole milliseconds')
  return Number(text)
}

/** @throws Problem `digest-stale`, `two-people-required`, `state-conflict` where it is signed already */
export function requireConfirmable(
  row: Kept & Signed,
  { person, digest, name }: { readonly person: string; readonly digest: string; readonly name: string },
): void {
  if (row.confirmedAt !== null) throw new Problem('state-conflict', { detail: `${name} is confirmed already.` })
  if (digest !== row.digest) {
    throw new Problem('digest-stale', { detail: `${name} has another digest. Read it again before signing.` })
  }
  if (person === row.recordedBy) {
    throw new Problem('two-people-required', { detail: `${person} wrote ${name}; someone else must confirm it.` })
  }
}
