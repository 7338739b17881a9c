/**
 * FEEL text as the library's own syntax tree. Its grammar is of the whole language (OMG DMN 1.5, section 10.3); what is
 * made of a tree, and what of it is refused, is for whoever asked for it.
 */
import { parser, trackVariables } from 'lezer-feel'

/** Why a cell was refused, and where in its text: an offset in UTF-16 code units. */
export interface CellRefusal {
  readonly code: CellRefusalCode
  readonly at: number
  readonly detail: string
}

export type CellRefusalCode =
  | 'cell-syntax' // Not FEEL at all.
  | 'cell-unsupported' // FEEL, but nothing a rule table may say.
  | 'cell-type' // A value of another type than the column's.
  | 'cell-value' // A word or number that the attribute or the column does not know.
  | 'interval-empty' // An interval that holds no value.
  | 'attribute-unknown' // No attribute that a formula here may take.
  | 'formula-uncomputable' // A constant formula that has no value.

export type Parsed<Tree> = { readonly tree: Tree } | { readonly refused: CellRefusal }

/** A part of the tree with the text it came from. */
export interface Part {
  readonly name: string
  readonly text: string
  readonly at: number
  readonly children: readonly Part[]
}

/** How a text is read: as unary tests or as an expression, and up to which length. */
export interface Reading {
  readonly top: 'UnaryTests' | 'Expression'
  readonly lengthMax: number
  /** Names that are known, since a name may hold blanks; a name that leads on to others holds them as a record. */
  readonly names?: Readonly<Record<string, unknown>>
}

/** A text nested deeper is refused: nobody could read it, and it is walked by recursion. */
const DEPTH_MAX = 80

const parsers = {
  UnaryTests: parser.configure({ top: 'UnaryTests' }),
  Expression: parser.configure({ top: 'Expression' }),
} as const

type Node = ReturnType<typeof parser.parse>['topNode']

/** Stops a walk at the first thing refused; caught in `parseFeel` only. */
class Refusal extends Error {
  readonly refused: CellRefusal
  constructor(refused: CellRefusal) {
    super(refused.detail)
    this.refused = refused
  }
}

/** Refuses the text that is being read by `parseFeel`. */
export function refuse(code: CellRefusalCode, at: number, detail: string): never {
  throw new Refusal({ code, at, detail })
}

/** Parses a text and reads its tree; either may refuse it. */
export function parseFeel<Tree>(text: string, reading: Reading, read: (top: Part) => Tree): Parsed<Tree> {
  const { top, lengthMax, names } = reading
  if (text.length > lengthMax) {
    return { refused: { code: 'cell-syntax', at: lengthMax, detail: `is longer than ${lengthMax} characters` } }
  }
  const grammar = names ? parsers[top].configure({ contextTracker: trackVariables(names) }) : parsers[top]
  try {
    return { tree: read(partOf(grammar.parse(text).topNode, text, 0)) }
  } catch (error) {
    if (error instanceof Refusal) return { refused: error.refused }
    throw error
  }
}

/** Copies the library's tree, refusing a text that is not FEEL or is nested too deep. */
function partOf(node: Node, text: string, depth: number): Part {
  if (node.type.isError) {
    const rest = text.slice(node.from).trim()
    refuse('cell-syntax', node.from, rest === '' ? 'ends too early' : `cannot be understood from '${rest}' on`)
  }
  if (node.name.endsWith('Comment')) refuse('cell-unsupported', node.from, 'must not hold a comment')
  if (depth > DEPTH_MAX) refuse('cell-unsupported', node.from, `is nested deeper than ${DEPTH_MAX} levels`)
  const children: Part[] = []
  for (let child = node.firstChild; child; child = child.nextSibling) children.push(partOf(child, text, depth + 1))
  return { name: node.name, text: text.slice(node.from, node.to), at: node.from, children }
}

/** The one thing that a part holds. */
export function only(part: Part): Part {
  const [child, further] = part.children
  if (!child || further) return refuse('cell-unsupported', further?.at ?? part.at, 'is no single value')
  return child
}
