/**
 * What a formula can come to over spans of its attributes. Sums and products are first put together as a polynomial, so
 * that `1.1 * f - 0.9 * f` is 0.2 f and not the difference of two unrelated numbers; least, greatest and quotients, whose
 * result DMN rounds, stay whole. Both are exact rewritings: no number of the formula changes.
 */
import { add, type Decimal, formatDecimal, isZero, multiply, negate, ONE, ZERO } from '../../exact/decimal.ts'
import type { Formula } from '../feel-parse.ts'
import type { Span } from '../feel-tests.ts'
import { addSpans, divideSpans, EVERYTHING, greatestSpan, leastSpan, multiplySpans, pointSpan } from './spans.ts'

/** Spans of attributes, in the units of their columns. */
export type Spans = ReadonlyMap<string, Span>

/** Each product of atoms by its text, with what it is multiplied by. An atom stands in `factors` as often as its power. */
type Polynomial = ReadonlyMap<string, Term>

interface Term {
  readonly coefficient: Decimal
  readonly factors: readonly Atom[]
}

interface Atom {
  readonly text: string
  readonly span: (spans: Spans) => Span
}

/** Products of long sums are left whole: of more terms than this nothing becomes clearer. */
const TERMS_MAX = 30

/** The span of all that the formula comes to, or a wider one. */
export function spanOfFormula(formula: Formula): (spans: Spans) => Span {
  return spanOfPolynomial(polynomialOf(formula))
}

/** One text for formulas that are the same number whatever their attributes; for some that are it still differs. */
export function writeFormula(formula: Formula): string {
  return writePolynomial(polynomialOf(formula))
}

function spanOfPolynomial(polynomial: Polynomial): (spans: Spans) => Span {
  const terms = [...polynomial.values()]
  return (spans) => {
    let sum = pointSpan(ZERO)
    for (const { coefficient, factors } of terms) {
      let product = pointSpan(coefficient)
      for (const atom of factors) product = multiplySpans(product, atom.span(spans))
      sum = addSpans(sum, product)
    }
    return sum
  }
}

function polynomialOf(formula: Formula): Polynomial {
  switch (formula.kind) {
    case 'number':
      return termOf(formula.value, [])
    case 'attribute': {
      const { name } = formula
      return termOf(ONE, [{ text: name, span: (spans) => spans.get(name) ?? EVERYTHING }])
    }
    case 'negate':
      return scaled(polynomialOf(formula.operand), negate(ONE))
    case 'arithmetic':
      return arithmetic(formula)
    case 'choice': {
      const { name } = formula
      const parts = [formula.first, ...formula.rest].map(polynomialOf)
      const [first = () => EVERYTHING, ...rest] = parts.map(spanOfPolynomial)
      const choose = name === 'min' ? leastSpan : greatestSpan
      const text = `${name}(${parts.map(writePolynomial).join()})`
      const span = (spans: Spans) => rest.reduce((chosen, next) => choose(chosen, next(spans)), first(spans))
      return termOf(ONE, [{ text, span }])
    }
    default:
      throw new TypeError(`a ${formula.kind} passed the check for numbers`)
  }
}

function arithmetic({ operator, left, right }: Formula & { kind: 'arithmetic' }): Polynomial {
  const a = polynomialOf(left)
  const b = polynomialOf(right)
  switch (operator) {
    case '+':
      return sum(a, b)
    case '-':
      return sum(a, scaled(b, negate(ONE)))
    case '*':
      if (a.size * b.size <= TERMS_MAX) return multiplied(a, b)
      return whole(a, '*', b, multiplySpans)
    case '/':
      return whole(a, '/', b, divideSpans)
  }
}

function whole(a: Polynomial, operator: string, b: Polynomial, combine: (a: Span, b: Span) => Span): Polynomial {
  const [left, right] = [spanOfPolynomial(a), spanOfPolynomial(b)]
  const text = `(${writePolynomial(a)})${operator}(${writePolynomial(b)})`
  return termOf(ONE, [{ text, span: (spans) => combine(left(spans), right(spans)) }])
}

function termOf(coefficient: Decimal, factors: readonly Atom[]): Polynomial {
  return isZero(coefficient)
    ? new Map()
    : new Map([[factors.map(({ text }) => text).join(' '), { coefficient, factors }]])
}

function sum(...all: readonly Polynomial[]): Polynomial {
  const together = new Map<string, Term>()
  for (const one of all) {
    for (const [text, { coefficient, factors }] of one) {
      const total = add(together.get(text)?.coefficient ?? ZERO, coefficient)
      if (isZero(total)) together.delete(text)
      else together.set(text, { coefficient: total, factors })
    }
  }
  return together
}

function scaled(a: Polynomial, by: Decimal): Polynomial {
  return new Map(
    [...a].map(([text, { coefficient, factors }]) => [text, { coefficient: multiply(coefficient, by), factors }]),
  )
}

function multiplied(a: Polynomial, b: Polynomial): Polynomial {
  const terms = [...a.values()].flatMap((left) =>
    [...b.values()].map((right) => {
      const factors = [...left.factors, ...right.factors].sort((x, y) =>
        x.text < y.text ? -1 : x.text > y.text ? 1 : 0,
      )
      return termOf(multiply(left.coefficient, right.coefficient), factors)
    }),
  )
  return sum(...terms)
}

function writePolynomial(polynomial: Polynomial): string {
  return [...polynomial]
    .map(([text, { coefficient }]) => `${formatDecimal(coefficient)} ${text}`)
    .sort()
    .join('+')
}
