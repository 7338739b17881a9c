/**
 * Sets of inputs as boxes: one set of parts for each axis, in one run of 32-bit words, so that a table of hundreds of rows
 * is searched without allocating for each comparison.
 */

/** For each axis the bits of its parts, one axis after the other as `Space.offsets` says. Holds what lies in all of them. */
export type Box = Uint32Array

/** How boxes over some axes are laid out. */
export interface Space {
  /** Where each axis begins in a box, and at last the length of a box. */
  readonly offsets: readonly number[]
}

/** @param parts how many parts each axis has */
export function spaceOf(parts: readonly number[]): Space {
  const offsets = [0]
  for (const count of parts) offsets.push((offsets.at(-1) ?? 0) + Math.max(1, Math.ceil(count / 32)))
  return { offsets }
}

/** The words of one axis, shared with the box. */
export function sideOf({ offsets }: Space, box: Box, axis: number): Uint32Array {
  return box.subarray(offsets[axis], offsets[axis + 1])
}

export function axisCount({ offsets }: Space): number {
  return offsets.length - 1
}

/** The work of looking through one box once, in words. */
export function sizeOf({ offsets }: Space): number {
  return offsets.at(-1) ?? 0
}

export function boxOf(space: Space, sides: readonly Uint32Array[]): Box {
  const box = new Uint32Array(sizeOf(space))
  for (const [axis, side] of sides.entries()) box.set(side, space.offsets[axis])
  return box
}

/** Whether a box holds no input: one of its sides is empty. A box without axes holds one. */
export function isEmptyBox(space: Space, box: Box): boolean {
  for (let axis = 0; axis < axisCount(space); axis += 1) {
    if (sideOf(space, box, axis).every((word) => word === 0)) return true
  }
  return false
}

/** On how many axes `other` does not reach all of `box`; -1 where they do not meet at all. 0: `other` covers `box`. */
export function cutsOf({ offsets }: Space, box: Box, other: Box): number {
  let cuts = 0
  for (let axis = 0, at = 0; axis + 1 < offsets.length; axis += 1) {
    const end = offsets[axis + 1] ?? 0
    let both = 0
    let beyond = 0
    for (; at < end; at += 1) {
      const word = box[at] ?? 0
      const theirs = other[at] ?? 0
      both |= word & theirs
      beyond |= word & ~theirs
    }
    if (both === 0) return -1
    if (beyond !== 0) cuts += 1
  }
  return cuts
}

/** What lies in both; undefined where nothing does. */
export function meet(space: Space, a: Box, b: Box): Box | undefined {
  const both = a.map((word, at) => word & (b[at] ?? 0))
  return isEmptyBox(space, both) ? undefined : both
}

/**
 * What of `box` lies outside `other`, as boxes that do not overlap: along each axis that `other` cuts, what lies beyond it
 * there and inside it along the axes before.
 */
export function without(space: Space, box: Box, other: Box): Box[] {
  const pieces: Box[] = []
  const rest = box.slice()
  for (let axis = 0; axis < axisCount(space); axis += 1) {
    const from = space.offsets[axis] ?? 0
    const end = space.offsets[axis + 1] ?? 0
    const piece = rest.slice()
    let beyond = 0
    for (let at = from; at < end; at += 1) {
      const word = rest[at] ?? 0
      const outside = word & ~(other[at] ?? 0)
      beyond |= outside
      piece[at] = outside
      rest[at] = word & ~outside
    }
    if (beyond !== 0) pieces.push(piece)
  }
  return pieces
}
