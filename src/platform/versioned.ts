import { Problem } from './problems.ts'

/**
 * Content that is drafted, frozen and then signed by a second person: what its acts must find before they change it.
 * Each room writes its own life cycle as a table; these functions hold an act to it. They run inside the act, on what
 * was read there, so that nothing has moved since.
 */

/** One line of a life cycle. `who` names the permission that the act needs. */
export interface Move<State extends string, Action extends string> {
  readonly from: State
  readonly action: Action
  readonly to: State
  readonly who: string
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
  state: State,
): State | undefined {
  return moves.find((one) => one.action === action && one.from === state)?.to
}

/**
 * The state that `action` leads to from the present one.
 * @throws Problem `state-conflict`, naming state and act
 */
export function requireMove<State extends string, Action extends string>(
  moves: readonly Move<State, Action>[],
  action: Action,
  current: Versioned<State>,
): State {
  const to = stateAfter(moves, action, current.state)
  if (to !== undefined) return to
  const froms = moves.filter((one) => one.action === action).map(({ from }) => from)
  throw new Problem('state-conflict', {
    detail: `${capitalised(current.name)} is ${current.state}; ${action} needs it to be ${froms.join(' or ')}.`,
    members: { state: current.state },
  })
}

/**
 * Holds an act to the content that the person saw, where they say which it was.
 * @throws Problem `digest-stale`, with the present digest
 */
export function requireDigest(current: Versioned<string>, seen: string | null | undefined): void {
  if (seen === undefined || seen === null || seen === current.digest) return
  throw new Problem('digest-stale', {
    detail: `${capitalised(current.name)} has another digest now. Read it again before signing.`,
    errors: [{ pointer: '/digest', code: 'digest-stale', detail: `the content now has the digest ${current.digest}` }],
    members: { digest: current.digest },
  })
}

/**
 * Whoever contributed to the content does not sign it (21 CFR 11 asks for review; two people is this house's law).
 * @throws Problem `two-people-required`
 */
export function requireOtherThanAuthors(current: Versioned<string>, signer: string): void {
  if (!current.authors.includes(signer)) return
  throw new Problem('two-people-required', {
    detail: `${signer} contributed to ${current.name}; someone who did not must sign it.`,
  })
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

function capitalised(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1)
}
