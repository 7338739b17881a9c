import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import { readStored } from '../platform/versioned-words.ts'
import { type PermitAnswer, type PermitContent, PermitContentWire, type PermitState } from './permit-words.ts'
import type { Block } from './step-blocks.ts'

/** A permit as stored. Instants are milliseconds since the epoch; what has not happened yet is null. */
export interface PermitRecord {
  readonly permit: string
  readonly plan: string
  readonly revision: number
  readonly state: PermitState
  readonly content: string
  readonly digest: string
  readonly requestedAt: number
  readonly requestedBy: string
  readonly approvedAt: number | null
  readonly approvedBy: string | null
  readonly meaning: string | null
  readonly validFrom: number | null
  readonly validUntil: number
  readonly withdrawnAt: number | null
  readonly withdrawnBy: string | null
  readonly withdrawalReason: string | null
  readonly checkedVersion: number | null
  /** JSON text of `Block[]`. */
  readonly blocks: string
  readonly used: number
}

/** @throws Error where the stored content lost its digest */
export function permitContent(record: Pick<PermitRecord, 'permit' | 'content' | 'digest'>): PermitContent {
  return PermitContentWire.parse(readStored(record, `permit ${record.permit}`))
}

export function writePermit(record: PermitRecord): PermitAnswer {
  const [block] = JSON.parse(record.blocks) as Block[]
  return {
    permit: record.permit,
    state: record.state,
    content: permitContent(record),
    digest: record.digest,
    requestedAt: writeInstant(record.requestedAt),
    requestedBy: record.requestedBy,
    approvedAt: writeInstantOrNull(record.approvedAt),
    approvedBy: record.approvedBy,
    meaning: record.meaning,
    validFrom: writeInstantOrNull(record.validFrom),
    validUntil: writeInstant(record.validUntil),
    withdrawnAt: writeInstantOrNull(record.withdrawnAt),
    withdrawnBy: record.withdrawnBy,
    withdrawalReason: record.withdrawalReason,
    blockedFrom: block === undefined ? null : writeInstant(block.from),
    causes: block === undefined ? [] : [...block.causes],
    used: record.used,
  }
}

export function permitNotFound(permit: string): Problem {
  return new Problem('permit-not-found', { detail: `There is no permit ${permit}.` })
}
