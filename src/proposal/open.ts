/** What a person must still decide, in sentences. */
import type { Finding } from '../plans/findings.ts'
import type { PlanContent } from '../plans/words.ts'
import type { Unresolved } from '../rules/requirements.ts'
import type { Demanded } from './choose.ts'
import type { Open } from './words.ts'

const whyUnresolved: Readonly<Record<Unresolved['code'], string>> = {
  'rule-gap': 'has no row for this product',
  'rule-ambiguous': 'has several rows for this product that demand different things',
  'attribute-missing': 'asks for an attribute that the product does not state',
  'formula-uncomputable': 'has a formula that gives no number for this product',
}

/** Tables that no plan can meet as the product is. */
export function openUnresolved(unresolved: readonly Unresolved[], pointer: string | null): Open[] {
  return unresolved.map(({ table, edition, code, attribute, rows }) => {
    const which = [attribute && `the attribute ${attribute}`, rows.length > 0 && `rows ${rows.join(', ')}`].filter(
      Boolean,
    )
    const facts = which.length > 0 ? ` (${which.join('; ')})` : ''
    return {
      pointer,
      text: `Edition ${edition} of ${table} ${whyUnresolved[code]}${facts}: change the product, the table, or what is tested.`,
    }
  })
}

/** A table that cannot be met together with the others. */
export function openRow({ table, edition, rows }: Demanded): Open {
  const named = rows.map(({ row }) => row.row).join(', ')
  return {
    pointer: null,
    text: `Edition ${edition} of ${table} (rows ${named}) cannot be met together with the other tables in effect: one of them must change.`,
  }
}

/** What the check of the proposal blocks on, so that nothing that blocks goes unsaid. */
export function openFindings(findings: readonly Finding[], { steps }: PlanContent): Open[] {
  const said = new Set<string>()
  return findings.flatMap(({ severity, code, step, parameter, table, edition, row, variant, facts }) => {
    if (severity !== 'blocking') return []
    const index = steps.findIndex((one) => one.step === step)
    const pointer = index < 0 ? null : `/steps/${index}`
    const where = [
      table !== null && `edition ${edition} of ${table}${row === null ? '' : `, row ${row}`}`,
      parameter !== null && `about ${parameter}`,
      variant !== null && `for variant ${variant}`,
      facts['attribute'] !== undefined && `attribute ${facts['attribute']}`,
    ].filter((part) => typeof part === 'string')
    const text = `The check finds ${code}${where.length > 0 ? ` (${where.join('; ')})` : ''}: as proposed the revision would be blocked.`
    if (said.has(`${pointer} ${text}`)) return []
    said.add(`${pointer} ${text}`)
    return [{ pointer, text }]
  })
}
