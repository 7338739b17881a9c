/**
 * A DMN model as an edition. One that was written here reads back as the content it was made from. Of any other the
 * decision table is taken, and what DMN cannot say of it (units, relations, sources) is named as missing.
 */
import { readXml, type XmlElement } from '../../exact/xml.ts'
import { isProductAttribute, productAttributes } from '../../products/attributes.ts'
import { type DmnDecision, type DmnTable, first, readModel } from '../dmn/model.ts'
import { parameterNature, parameters, type Subject, subjects } from '../words.ts'
import { OWN } from './dmn-out.ts'
import { type FileDraft, type FileFault, type FileRead, type FileTarget, said } from './draft.ts'

type Missing = FileDraft['missing'][number]
type Miss = (pointer: string, code: string, detail: string) => void

export function readDmn(bytes: Uint8Array, target: FileTarget): FileRead {
  const read = readXml(bytes)
  if (!read.ok) {
    const { code, detail, line, column } = read.fault
    return refused(code, `${detail} (line ${line}, column ${column})`)
  }
  const { root } = read
  // Each version of DMN has its own namespace below this one.
  if (root.name !== 'definitions' || !/^https?:\/\/www\.omg\.org\/spec\/DMN\//.test(root.namespace)) {
    return refused('dmn-missing', 'The document is no DMN model: its root is no `definitions` in a namespace of DMN.')
  }
  const foreign = expressionFault(root)
  if (foreign) return { fault: foreign }
  const made = readModel(root)
  if ('fault' in made) return refused('dmn-invalid', `${made.fault.detail} (line ${made.fault.line})`)
  const tables = made.model.decisions.flatMap((decision) =>
    decision.expression?.kind === 'table' ? [{ decision, table: decision.expression.table }] : [],
  )
  const named = tables.filter(({ decision }) => decision.name === target.table)
  const [chosen, further] = named.length > 0 ? named : tables
  if (!chosen) return refused('dmn-table-missing', 'The model has no decision that is a decision table.')
  if (further) {
    const names = tables.map(({ decision }) => decision.name).join(', ')
    return refused(
      'dmn-tables',
      `The model has several decision tables (${names}); name the one meant as the rule table.`,
    )
  }
  const edition = ownIn(chosen.decision.element, 'edition')
  return { draft: edition ? ownDraft(chosen, edition) : foreignDraft(chosen, target) }
}

function refused(code: string, detail: string): { readonly fault: FileFault } {
  return { fault: { code, detail } }
}

/** Cells in another language than FEEL would be misread. */
function expressionFault(element: XmlElement): FileFault | undefined {
  const language = element.attributes.get('expressionLanguage')
  if (language !== undefined && !/feel/i.test(language)) {
    return {
      code: 'dmn-language',
      detail: `Expressions are read in FEEL, not in '${language}' (line ${element.line}).`,
    }
  }
  for (const child of element.children) {
    const fault = expressionFault(child)
    if (fault) return fault
  }
  return undefined
}

/** Our own element of that name among the extensions of an element. */
function ownIn(element: XmlElement, name: string): XmlElement | undefined {
  const extensions = first(element, 'extensionElements')
  return extensions && ownChild(extensions, name)
}

function ownChild(element: XmlElement, name: string): XmlElement | undefined {
  return element.children.find((child) => child.namespace === OWN && child.name === name)
}

function ownChildren(element: XmlElement | undefined, name: string): XmlElement[] {
  return element ? element.children.filter((child) => child.namespace === OWN && child.name === name) : []
}

interface Chosen {
  readonly decision: DmnDecision
  readonly table: DmnTable
}

function ownDraft({ decision, table }: Chosen, edition: XmlElement): FileDraft {
  const { attributes } = edition
  const conditions = ownChild(edition, 'appliesWhen')
  const overrides = ownChild(edition, 'overrides')
  const subject = subjects.find((one) => one === attributes.get('subject'))
  const outputs = table.outputs.map(({ element, values }) => {
    const given = ownIn(element, 'column')?.attributes
    return said({
      parameter: given?.get('parameter'),
      relation: given?.get('relation'),
      unit: given?.get('unit'),
      values,
    })
  })
  const content = said({
    table: decision.name,
    edition: Number(attributes.get('edition')),
    title: decision.element.attributes.get('label'),
    ruleSet: attributes.get('ruleSet'),
    subject: attributes.get('subject'),
    appliesWhen: conditions && conditionsIn(conditions),
    hitPolicy: table.hitPolicy,
    overrides: overrides && ownChildren(overrides, 'override').map((one) => said({ ...fields(one), reason: one.text })),
    inputs: inputsIn(table),
    outputs,
    rows: table.rules.map(({ when, then, element }) => ({
      row: element.attributes.get('label'),
      when,
      then: then.map((cell, index) => demandIn(cell, outputs[index]?.['parameter'], subject)),
    })),
    sources: ownChildren(ownChild(edition, 'sources'), 'source').map((one) => ({
      rows: ownChildren(one, 'of').map(({ attributes: of }) => of.get('row')),
      ...fields(one),
    })),
  })
  return { content, missing: unplaced(table), placeOf: placeIn(table) }
}

/** Cells are told by the line of their rule. */
function placeIn({ rules }: DmnTable): FileDraft['placeOf'] {
  return (pointer) => {
    const [, member, index] = pointer.split('/')
    const rule = member === 'rows' ? rules[Number(index)] : undefined
    return rule && `line ${rule.element.line}`
  }
}

function fields({ attributes }: XmlElement): Record<string, unknown> {
  return Object.fromEntries(attributes)
}

function conditionsIn(element: XmlElement): Record<string, unknown> {
  const conditions = ownChildren(element, 'condition')
  return Object.fromEntries(conditions.map(({ attributes, text }) => [attributes.get('attribute') ?? '', text]))
}

function inputsIn({ inputs }: DmnTable): Record<string, unknown>[] {
  return inputs.map(({ text, type, values, element }) =>
    said({ attribute: text, type, unit: ownIn(element, 'column')?.attributes.get('unit'), values }),
  )
}

/** The reverse of what `dmn-out.ts` makes of an output cell. */
function demandIn(cell: string, parameter: unknown, subject: Subject | undefined): string {
  if (cell === 'null') return '-'
  const known = parameters.find((one) => one === parameter)
  const isKinds = known !== undefined && subject !== undefined && parameterNature(known, subject) === 'kinds'
  return isKinds && cell.startsWith('[') && cell.endsWith(']') ? cell.slice(1, -1) : cell
}

/** What a table may hold in DMN and has no place in a rule table. */
function unplaced({ outputs }: DmnTable): Missing[] {
  return outputs.flatMap(({ fallback }, index) =>
    fallback === undefined
      ? []
      : [
          {
            pointer: `/outputs/${index}`,
            code: 'default-output',
            detail: 'A rule table has no default; where no row matches is a gap.',
          },
        ],
  )
}

const TYPES: Readonly<Record<string, string>> = { integer: 'number', long: 'number', double: 'number' }

function foreignDraft({ decision, table }: Chosen, { table: key, edition }: FileTarget): FileDraft {
  const missing: Missing[] = unplaced(table)
  const miss: Miss = (pointer, code, detail) => missing.push({ pointer, code, detail })
  for (const member of ['ruleSet', 'subject', 'sources']) {
    miss(`/${member}`, 'field-missing', `DMN does not say the ${member} of a rule table.`)
  }
  const labels = table.rules.map(({ element }) => element.attributes.get('label') ?? '')
  const areKeys =
    labels.every((label) => /^[A-Za-z0-9._:-]{1,64}$/.test(label)) && new Set(labels).size === labels.length
  const content = said({
    table: key,
    edition,
    title: (decision.element.attributes.get('label') ?? decision.name) || undefined,
    hitPolicy: table.hitPolicy,
    inputs: table.inputs.map((input, index) => foreignInput(input, `/inputs/${index}`, miss)),
    outputs: table.outputs.map((output, index) => foreignOutput(output, `/outputs/${index}`, miss)),
    rows: table.rules.map(({ when, then }, index) => ({
      row: areKeys ? labels[index] : `r${index + 1}`,
      when: when.map((cell) => cell.trim() || '-'),
      then: then.map((cell) => (/^(?:|null)$/.test(cell.trim()) ? '-' : cell.trim())),
    })),
  })
  return { content, missing, placeOf: placeIn(table) }
}

function foreignInput({ text, type, values }: DmnTable['inputs'][number], pointer: string, miss: Miss) {
  const attribute = text.trim()
  if (isProductAttribute(attribute)) {
    const definition = productAttributes[attribute]
    if ('dimension' in definition && definition.dimension !== undefined) {
      miss(`${pointer}/unit`, 'field-missing', `DMN has no units; ${attribute} is a ${definition.dimension}.`)
    }
  }
  if (type === undefined || type === 'Any') miss(`${pointer}/type`, 'field-missing', 'The input states no type.')
  return said({ attribute, type: type === undefined ? undefined : (TYPES[type] ?? type), values: values?.trim() })
}

function foreignOutput({ name, values, element }: DmnTable['outputs'][number], pointer: string, miss: Miss) {
  const parameter = parameters.find((one) => one === name?.trim())
  if (!parameter) {
    const called = name ?? element.attributes.get('label') ?? ''
    miss(`${pointer}/parameter`, 'field-missing', `'${called}' is no parameter of a step; say which one it demands.`)
  }
  miss(`${pointer}/relation`, 'field-missing', 'DMN does not say whether the value is a least, a most or a range.')
  miss(`${pointer}/unit`, 'field-missing', 'DMN has no units; leave it out where the parameter has none.')
  return said({ parameter, values: values?.trim() })
}
