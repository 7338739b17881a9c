/**
 * An edition as a DMN 1.5 model of one decision, which other tools can open. What DMN has no place for (units, relations,
 * sources, overrides, when the table applies) stands in extension elements of our own namespace, so that the file reads
 * back as the same content. `-` among the outputs demands nothing: DMN writes that as null. Kinds of step are a list.
 */
import { writeXml, type XmlOut } from '../../exact/xml.ts'
import { hitPolicyWords } from '../dmn/model.ts'
import { type EditionContent, parameterNature } from '../words.ts'
import { CAUTION } from './draft.ts'

const DMN = 'https://www.omg.org/spec/DMN/20230324/MODEL/'
/** The namespace of what DMN has no place for. Permanent; another form of it gets another number. */
export const OWN = 'urn:limitkeep:rule-table:1'

export function writeDmn(content: EditionContent): string {
  const { table, title, inputs } = content
  return writeXml({
    name: 'definitions',
    attributes: [
      ['xmlns', DMN],
      ['xmlns:limitkeep', OWN],
      ['id', 'definitions'],
      ['name', table],
      ['namespace', 'urn:limitkeep:rule-tables'],
    ],
    content: [
      ...inputs.map(({ attribute, type }, index): XmlOut => {
        const variable: XmlOut = {
          name: 'variable',
          attributes: [
            ['name', attribute],
            ['typeRef', type],
          ],
        }
        return {
          name: 'inputData',
          attributes: [
            ['id', `data-${index + 1}`],
            ['name', attribute],
          ],
          content: [variable],
        }
      }),
      {
        name: 'decision',
        attributes: [
          ['id', 'decision'],
          ['name', table],
          ['label', title],
        ],
        content: [
          { name: 'description', content: CAUTION },
          { name: 'extensionElements', content: [editionOut(content)] },
          { name: 'variable', attributes: [['name', table]] },
          ...inputs.map((_, index): XmlOut => {
            const required: XmlOut = { name: 'requiredInput', attributes: [['href', `#data-${index + 1}`]] }
            return { name: 'informationRequirement', content: [required] }
          }),
          tableOut(content),
        ],
      },
    ],
  })
}

type Attributes = readonly (readonly [string, string])[]

/** Attributes without those that are absent. */
function present(given: Readonly<Record<string, string | null | undefined>>): Attributes {
  return Object.entries(given).filter((one): one is [string, string] => one[1] !== null && one[1] !== undefined)
}

function own(name: string, given: Parameters<typeof present>[0], content: XmlOut['content'] = []): XmlOut {
  return { name: `limitkeep:${name}`, attributes: present(given), content }
}

function editionOut({ edition, ruleSet, subject, appliesWhen, overrides, sources }: EditionContent): XmlOut {
  const conditions = Object.entries(appliesWhen ?? {}).flatMap(([attribute, cell]) =>
    cell === null || cell === undefined ? [] : [own('condition', { attribute }, cell)],
  )
  return own('edition', { edition: `${edition}`, ruleSet, subject }, [
    // An empty list is not an absent one: their digests differ.
    ...(appliesWhen ? [own('appliesWhen', {}, conditions)] : []),
    ...(overrides
      ? [
          own(
            'overrides',
            {},
            overrides.map(({ reason, ...rest }) => own('override', rest, reason)),
          ),
        ]
      : []),
    own(
      'sources',
      {},
      sources.map(({ rows, ...rest }) =>
        own(
          'source',
          rest,
          rows.map((row) => own('of', { row })),
        ),
      ),
    ),
  ])
}

function textOut(name: string, text: string, attributes: Attributes = []): XmlOut {
  return { name, attributes, content: [{ name: 'text', content: text }] }
}

function extended(...elements: readonly XmlOut[]): XmlOut[] {
  return elements.length === 0 ? [] : [{ name: 'extensionElements', content: elements }]
}

function tableOut({ hitPolicy, subject, inputs, outputs, rows }: EditionContent): XmlOut {
  const natures = outputs.map(({ parameter }) => parameterNature(parameter, subject))
  const columns = inputs.map(({ attribute, type, unit, values }, index): XmlOut => {
    const expression = textOut('inputExpression', attribute, [['typeRef', type]])
    const allowed = values === null || values === undefined ? [] : [textOut('inputValues', values)]
    const units = unit === null || unit === undefined ? [] : [own('column', { unit })]
    return {
      name: 'input',
      attributes: [['id', `input-${index + 1}`]],
      content: [...extended(...units), expression, ...allowed],
    }
  })
  const results = outputs.map(({ parameter, relation, unit, values }, index): XmlOut => {
    const nature = natures[index]
    const type =
      nature === 'flag' ? 'boolean' : nature === 'kinds' ? undefined : relation === 'in' ? undefined : 'number'
    const allowed = values === null || values === undefined ? [] : [textOut('outputValues', values)]
    return {
      name: 'output',
      // Two bounds of one parameter are two outputs, whose names must differ.
      attributes: present({ id: `output-${index + 1}`, name: `${parameter} ${relation}`, typeRef: type }),
      content: [...extended(own('column', { parameter, relation, unit })), ...allowed],
    }
  })
  const rules = rows.map(({ row, when, then }, index): XmlOut => {
    const demands = then.map((cell, column) => {
      if (cell === '-') return textOut('outputEntry', 'null')
      return textOut('outputEntry', natures[column] === 'kinds' ? `[${cell}]` : cell)
    })
    return {
      name: 'rule',
      attributes: [
        ['id', `rule-${index + 1}`],
        ['label', row],
      ],
      content: [...when.map((cell) => textOut('inputEntry', cell)), ...demands],
    }
  })
  return {
    name: 'decisionTable',
    attributes: [['id', 'table'], ...present({ ...hitPolicyWords(hitPolicy) })],
    content: [...columns, ...results, ...rules],
  }
}
