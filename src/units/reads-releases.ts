import { setImmediate as nextTurn } from 'node:timers/promises'
import { writeInstant } from '../exact/time.ts'
import type { Services } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import { readUnits, writeUnitRelease } from './reads.ts'
import { type CheckedReleases, type ReleaseCheck, type UnitName, writeRelease } from './words.ts'

/** Units folded at one instant, in one transaction: few enough that no act waits long for it. */
const AT_ONCE_MAX = 250

/** What is answered of a unit whose product has no version in effect: nothing says what it must have passed. */
const UNKNOWN_PRODUCT = {
  releasable: false,
  provisional: false,
  concessions: [],
  reasons: [{ code: 'requirements-unknown', facts: {} }],
} as const satisfies Parameters<typeof writeRelease>[0]

function unknownProduct({ product, serial }: UnitName, at: number): CheckedReleases['units'][number] {
  return { product, serial, askedAt: writeInstant(at), operationsRequired: [], ...writeRelease(UNKNOWN_PRODUCT) }
}

/**
 * Whether each of these units may ship, in the order asked. Each unit stands as it is at its own `askedAt`; nothing is
 * stored, and nothing keeps a unit from failing a moment later.
 */
export async function checkReleases(
  { database, received }: Pick<Services, 'database' | 'received'>,
  { units: asked }: ReleaseCheck,
): Promise<CheckedReleases> {
  const units: CheckedReleases['units'] = []
  for (let start = 0; start < asked.length; start += AT_ONCE_MAX) {
    const names = asked.slice(start, start + AT_ONCE_MAX)
    const read = await readUnits(database, names)
    for (const [index, unit] of read.entries()) {
      const name = names[index]
      if (name === undefined) throw new Error('each name gives one unit')
      units.push(unit instanceof Problem ? unknownProduct(name, received.now()) : writeUnitRelease(unit))
    }
    // Others have their turn between.
    await nextTurn()
  }
  const releasable = units.filter((unit) => unit.releasable)
  return {
    asked: units.length,
    releasable: releasable.length,
    provisional: releasable.filter(({ provisional }) => provisional).length,
    units,
  }
}
