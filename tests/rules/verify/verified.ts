/** Verifies content at one go, and asks whether an input lies in what was written of a region. */
import { decimal, multiply } from '../../../src/exact/decimal.ts'
import { type UnitCode, units } from '../../../src/exact/unit-codes.ts'
import type { AttributeValue } from '../../../src/products/attributes.ts'
import { compileTest } from '../../../src/rules/feel-tests.ts'
import type { TableVerification } from '../../../src/rules/verify/report.ts'
import { verifyTable } from '../../../src/rules/verify/verify-table.ts'
import { type EditionContent, EditionContentWire } from '../../../src/rules/words.ts'
import { compiled } from '../aldermoor-tables.ts'

export type Report = Omit<TableVerification, 'digest'>
export type Place = Pick<Report['gaps'][number], 'region' | 'example'>

/** The report, and how often the search gave way to others. */
export function verifiedWithPauses(content: EditionContent): { readonly report: Report; readonly pauses: number } {
  const search = verifyTable(EditionContentWire.parse(content), compiled(content))
  for (let pauses = 0; ; pauses += 1) {
    const step = search.next()
    if (step.done) return { report: step.value, pauses }
  }
}

export function verified(content: EditionContent): Report {
  return verifiedWithPauses(content).report
}

/** Whether an input lies in a region, by its FEEL texts alone. */
export function liesIn(region: Place['region'], input: ReadonlyMap<string, AttributeValue>): boolean {
  return region.every(({ attribute, tests, unit }) => {
    const value = input.get(attribute)
    if (value === undefined) throw new Error(`the input says nothing of ${attribute}`)
    const type = typeof value === 'object' ? 'number' : typeof value === 'string' ? 'string' : 'boolean'
    const made = compileTest(
      tests,
      type === 'number' ? { type, unit: (unit as UnitCode | null) ?? undefined } : { type },
    )
    if ('refusals' in made) throw new Error(`'${tests}' is no list of unary tests`)
    return made.compiled.test(value)
  })
}

/** The example of a finding as attributes; numbers canonical. */
export function inputOf(example: Place['example'], types: ReadonlyMap<string, string>): Map<string, AttributeValue> {
  return new Map(
    example.map(({ attribute, value, unit }): [string, AttributeValue] => {
      const type = types.get(attribute) ?? 'string'
      if (type === 'boolean') return [attribute, value === 'true']
      if (type === 'string') return [attribute, value]
      const number = decimal(value)
      return [attribute, unit === null ? number : multiply(number, units[unit as UnitCode].factor)]
    }),
  )
}

/** `attribute tests` of the sides that say something, and the example, in one line. */
export function brief({ region, example }: { region: Place['region']; example: Place['example'] | null }): string {
  const sides = region.flatMap(({ attribute, tests, unit }) =>
    tests === '-' ? [] : [`${attribute} ${tests}${unit === null ? '' : ` ${unit}`}`],
  )
  const values = example?.map(({ attribute, value }) => `${attribute} = ${value}`).join(', ')
  return `${sides.join('; ')} e.g. ${values ?? 'nothing'}`
}
