/** Numbers that look drawn and are the same each time. One stream per actor: a new draw here must not shift another's. */
export interface Chance {
  /** From 0 up to, not including, 1. */
  next(): number
  /** True so often as `share` of 1 says. */
  happens(share: number): boolean
  /** About `middle`, within `spread` either side; the sum of three draws, so that the ends are rare. */
  about(middle: number, spread: number): number
}

const UINT32 = 2 ** 32

/** FNV-1a, 32 bits: a seed from a name. */
function hash(name: string): number {
  let state = 0x811c9dc5
  for (let index = 0; index < name.length; index += 1) {
    state = Math.imul(state ^ name.charCodeAt(index), 0x01000193)
  }
  return state >>> 0
}

/** The stream of the actor `name`: a Weyl sequence through a 32-bit finaliser, good enough for looks and nothing else. */
export function chanceOf(name: string): Chance {
  let state = hash(name)
  const next = () => {
    state = (state + 0x9e3779b9) >>> 0
    let mixed = Math.imul(state ^ (state >>> 16), 0x85ebca6b)
    mixed = Math.imul(mixed ^ (mixed >>> 13), 0xc2b2ae35)
    return ((mixed ^ (mixed >>> 16)) >>> 0) / UINT32
  }
  return {
    next,
    happens: (share) => next() < share,
    about: (middle, spread) => middle + spread * (((next() + next() + next()) * 2) / 3 - 1),
  }
}
