import { type PreparedRevision, type PreparedSteps, prepareMemory, prepareRevision } from './prepare.ts'

/**
 * Content made ready, kept by its digest, so that the sweep after the next publication reads none of it anew. All live
 * revisions come by in every sweep, so dropping the oldest would drop each just before it is asked for: what finds no
 * room is not kept, and what sweeps no longer ask for makes room.
 */
export interface PreparedMemory {
  /** What is kept of a digest. `rulesVersion`: the one that is checked, by which its last use is known. */
  recall(digest: string, rulesVersion: number): PreparedRevision | undefined
  /** Reads content whose digest was compared, and keeps it where there is room. */
  prepare(given: Given): ReturnType<typeof prepareRevision>
}

interface Given {
  readonly content: string
  readonly digest: string
  readonly rulesVersion: number
}

interface Kept {
  readonly prepared: PreparedRevision
  readonly weight: number
  usedAt: number
}

/** Bytes, by the estimate below. */
const ROOM = 300_000_000
/** Bytes that a revision takes beside its steps, which it may share; measured, rounded up. */
const HEAD_WEIGHT = 2_000
/** Bytes of steps made ready, with what was found of them, for each character of their text; measured, rounded up. */
const WEIGHT_OF_CHARACTER = 8

/** @param room bytes, about, that all of it may take */
export function preparedMemory(room: number = ROOM): PreparedMemory {
  const kept = new Map<string, Kept>()
  const shared = prepareMemory()
  const weighed = new WeakSet<PreparedSteps>()
  let taken = 0
  let clearedAt = 0

  /** At most once for each rules version: drops what neither this sweep nor the last one has asked for. */
  function makeRoom(rulesVersion: number): void {
    if (clearedAt === rulesVersion) return
    clearedAt = rulesVersion
    for (const [digest, { usedAt, weight }] of kept) {
      if (usedAt >= rulesVersion - 1) continue
      kept.delete(digest)
      taken -= weight
    }
  }

  return {
    recall(digest, rulesVersion) {
      const found = kept.get(digest)
      if (found === undefined) return undefined
      found.usedAt = Math.max(found.usedAt, rulesVersion)
      return found.prepared
    },
    prepare({ content, digest, rulesVersion }) {
      const read = prepareRevision(JSON.parse(content), shared)
      if ('refused' in read || kept.has(digest)) return read
      const { planned } = read.prepared
      const weight = HEAD_WEIGHT + (weighed.has(planned) ? 0 : content.length * WEIGHT_OF_CHARACTER)
      if (taken + weight > room) makeRoom(rulesVersion)
      if (taken + weight > room) return read
      weighed.add(planned)
      kept.set(digest, { prepared: read.prepared, weight, usedAt: rulesVersion })
      taken += weight
      return read
    },
  }
}
