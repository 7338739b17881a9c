import { Problem, type ProblemKey } from './problems.ts'

/**
 * Content that is drafted, frozen and then signed by a second person: what its acts must find before they change it.
 * Each room writes its own life cycle as a table; these functions hold an act to it. They run inside the act, on what
 * was read there, so that nothing has moved since.
 */

/** One line of a life cycle: `lifecycle.ts` of a room is a list of them. */
export interface Move<State extends string, Action extends string> {
  /** Null: there is nothing yet, and the act makes it. */
  readonly from: State | null
  /** The operationId of the act. */
  readonly action: Action
  readonly to: State
  /** The permission that the act needs. */
  readonly who: 'write' | 'sign' | 'stop'
  /** Whether it must be done by someone who contributed nothing to the content. */
  readonly secondPerson: boolean
  /** How the act is refused in any other state; `state-conflict` where nothing is said. */
  readonly refusal?: ProblemKey
}

/** What an act looks at. `name` is how a sentence calls it, such as 'version 3 of EX36'. */
export interface Versioned<State extends string> {
  readonly name: string
  readonly state: State
  readonly digest: string
  readonly authors: readonly string[]
}

/** Where `action` leads from a state; undefined where the life cycle has no such line. */
export function stateAfter<State extends string, Action extends string>(
  moves: readonly Move<State, Action>[],
  action: Action,
  state: State | null,
): State | undefined {
  return moves.find((one) => one.action === action && one.from === state)?.to
}

/** The state of what `action` makes. Throws where the life cycle makes nothing by it, which is a bug. */
export function firstState<State extends string, Action extends string>(
  moves: readonly Move<State, Action>[],
  action: Action,
): State {
  const state = stateAfter(moves, action, null)
  if (state === undefined) throw new Error(`by its life cycle ${action} makes nothing`)
  return state
}

/**
 * The state that `action` leads to from the present one, by this person.
 * @param asked `digest` is the one of the content that the person saw, where they say which it was
 * @throws Problem `state-conflict`, or the line's own refusal, naming state and act
 * @throws Problem `digest-stale`, with the present digest
 * @throws Problem `two-people-required`
 */
export function requireMove<State extends string, Action extends string>(
  moves: readonly Move<State, Action>[],
  action: Action,
  current: Versioned<State>,
  asked: { readonly by: string; readonly digest?: string | null | undefined },
): State {
  const lines = moves.filter((one) => one.action === action)
  const line = lines.find(({ from }) => from === current.state)
  if (line === undefined) {
    const needed = lines.flatMap(({ from }) => from ?? []).join(' or ')
    throw new Problem(lines[0]?.refusal ?? 'state-conflict', {
      detail: `${capitalised(current.name)} is ${current.state}; ${action} needs it to be ${needed}.`,
      members: { state: current.state },
    })
  }
  requireDigest(current, asked.digest)
  if (line.secondPerson) requireOtherThanAuthors(current, asked.by)
  return line.to
}

function requireDigest(current: Versioned<string>, seen: string | null | undefined): void {
  if (seen === undefined || seen === null || seen === current.digest) return
  throw new Problem('digest-stale', {
    detail: `${capitalised(current.name)} has another digest now. Read it again before signing.`,
    errors: [{ pointer: '/digest', code: 'digest-stale', detail: `the content now has the digest ${current.digest}` }],
    members: { digest: current.digest },
  })
}

/** Whoever contributed to the content does not sign it (21 CFR 11 asks for review; two people is this house's law). */
function requireOtherThanAuthors(current: Versioned<string>, signer: string): void {
  if (!current.authors.includes(signer)) return
  throw new Problem('two-people-required', {
    detail: `${signer} contributed to ${current.name}; someone who did not must sign it.`,
  })
}

/**
 * What is cancelled has not taken effect: after that it can be replaced or withdrawn, and what it did stays.
 * @param from the instant that was signed; `at` is that of the act
 * @throws Problem `state-conflict`
 */
export function requireToCome(current: Versioned<string>, from: number | null, at: number): number {
  if (from === null) throw new Error(`${current.name} is ${current.state} without an instant`)
  if (from > at) return from
  throw new Problem('state-conflict', {
    detail: `${capitalised(current.name)} has taken effect; only what has not can be cancelled.`,
    members: { state: current.state },
  })
}

/** The rules version from which on a publication is known to be cancelled, and the instant of that commit. */
export interface Cancelled {
  readonly rulesVersion: number
  readonly at: number
}

/** As stored; undefined where it is not cancelled, or not yet at `upTo`. */
export function cancellationOf(rulesVersion: number | null, at: number | null, upTo: number): Cancelled | undefined {
  return rulesVersion === null || at === null || rulesVersion > upTo ? undefined : { rulesVersion, at }
}

/** Whether a publication counts at a rules version: made by then, and not cancelled by then. */
export function isKnownAt(
  { rulesVersion, cancelled }: { readonly rulesVersion: number; readonly cancelled?: Cancelled | undefined },
  knownVersion: number,
): boolean {
  return rulesVersion <= knownVersion && (cancelled === undefined || cancelled.rulesVersion > knownVersion)
}

/** The authors after one more person wrote, each once, in the order of their first contribution. */
export function withAuthor(authors: readonly string[], author: string): string[] {
  return authors.includes(author) ? [...authors] : [...authors, author]
}

/**
 * A new number lies above every earlier one, so that a number says which content is the later.
 * @throws Problem `already-exists` or `number-not-higher`, naming `pointer`
 */
export function requireHigherNumber(
  asked: number,
  known: {
    readonly highest: number | null
    readonly isTaken: boolean
    readonly name: string
    readonly pointer: string
  },
): void {
  const { highest, isTaken, name, pointer } = known
  if (highest === null || asked > highest) return
  const key = isTaken ? 'already-exists' : 'number-not-higher'
  const detail = isTaken
    ? `${capitalised(name)} exists.`
    : `${capitalised(name)} must be above ${highest}, the highest so far.`
  throw new Problem(key, { detail, errors: [{ pointer, code: key, detail }] })
}

/** A name at the beginning of a sentence. */
export function capitalised(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1)
}
