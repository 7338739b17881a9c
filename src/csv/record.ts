import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import type { CsvFault } from './faults.ts'
import { type ProfileContent, type ProfileState, type StationFile, type StationProfile, writeFault } from './words.ts'

export interface ProfileKey {
  readonly station: string
  readonly profile: number
}

/** A profile as stored. Instants are milliseconds since the epoch; what has not happened is null. */
export interface ProfileRecord extends ProfileKey {
  readonly state: ProfileState
  readonly content: ProfileContent
  readonly digest: string
  readonly changeReason: string | null
  readonly createdAt: number
  readonly createdBy: string
  readonly confirmedAt: number | null
  readonly confirmedBy: string | null
  readonly confirmedMeaning: string | null
  readonly effectiveFrom: number | null
  readonly withdrawnAt: number | null
  readonly withdrawnBy: string | null
  readonly withdrawnReason: string | null
}

export function writeProfile(record: ProfileRecord): StationProfile {
  const { createdAt, confirmedAt, effectiveFrom, withdrawnAt } = record
  return {
    ...record,
    createdAt: writeInstant(createdAt),
    confirmedAt: writeInstantOrNull(confirmedAt),
    effectiveFrom: writeInstantOrNull(effectiveFrom),
    withdrawnAt: writeInstantOrNull(withdrawnAt),
  }
}

/** How a sentence calls it. */
export function nameOf({ station, profile }: ProfileKey): string {
  return `profile ${profile} of station ${station}`
}

export function profileNotFound(key: ProfileKey): Problem {
  return new Problem('profile-not-found', { detail: `There is no ${nameOf(key)}.` })
}

/**
 * The profile in effect at `at`, by all that is known now: the confirmed one that took effect last, of two at one instant
 * the later number. Where that one was withdrawn none is in effect, and no earlier one comes back: it was replaced for a
 * reason, and would read files that were written for another. One that was withdrawn before it took effect never did.
 */
export function profileInEffect(profiles: readonly ProfileRecord[], at: number): ProfileRecord | undefined {
  let last: (ProfileRecord & { effectiveFrom: number }) | undefined
  for (const profile of profiles) {
    const { effectiveFrom, withdrawnAt } = profile
    if (effectiveFrom === null || effectiveFrom > at) continue
    if (withdrawnAt !== null && withdrawnAt < effectiveFrom) continue
    const isLater =
      last === undefined ||
      effectiveFrom > last.effectiveFrom ||
      (effectiveFrom === last.effectiveFrom && profile.profile > last.profile)
    if (isLater) last = { ...profile, effectiveFrom }
  }
  return last?.withdrawnAt === null ? last : undefined
}

/** A file as stored. */
export interface FileRecord {
  readonly fileId: string
  readonly site: string
  readonly station: string
  readonly sender: string
  readonly receivedAt: number
  readonly digest: string
  readonly length: number
  readonly profile: number | null
  readonly profileDigest: string | null
  readonly rows: number | null
  readonly fault: CsvFault | null
}

export function writeFile({ receivedAt, fault, ...record }: FileRecord): StationFile {
  return { ...record, receivedAt: writeInstant(receivedAt), fault: fault === null ? null : writeFault(fault) }
}

export function fileNotFound(fileId: string): Problem {
  return new Problem('file-not-found', { detail: `There is no file ${fileId}.` })
}

/** The refusal of a whole file, with the place of its first fault. */
export function refusedProblem({ fileId, digest, profile, profileDigest, fault }: FileRecord): Problem {
  if (fault === null) throw new Error('a file without a fault is not refused')
  const { detail, ...place } = writeFault(fault)
  const where = [
    `row ${place.row}`,
    ...(place.column === null ? [] : [`column ${place.column}`]),
    ...(place.header === null ? [] : [`header ${JSON.stringify(place.header)}`]),
    `byte ${place.offset}`,
  ].join(', ')
  return new Problem(fault.code === 'file-too-long' ? 'body-too-large' : 'file-refused', {
    detail: `At ${where}: ${detail}. No row of it is an upload; what was sent is kept as file ${fileId}.`,
    members: { fileId, digest, profile, profileDigest, ...place },
  })
}
