import { type CompiledTable, compileTable } from '../../src/rules/compile-table.ts'
import { type EditionContent, EditionContentWire } from '../../src/rules/words.ts'
import { strengthWire } from '../support/aldermoor.ts'

/** The published example of a rule table edition; its values are invented. */
export const extractorStrength: EditionContent = EditionContentWire.parse(strengthWire)

/** A table of Aldermoor house rules with one source for all its rows, `verified` unless said otherwise. */
export function houseTable(
  parts: Pick<EditionContent, 'inputs' | 'outputs' | 'rows'> & Partial<EditionContent>,
  verification: 'verified' | 'unverified' | 'invented' = 'verified',
): EditionContent {
  return {
    table: 'house',
    edition: 1,
    title: 'House rule',
    ruleSet: 'aldermoor-routine',
    subject: 'electric-strength-ac',
    hitPolicy: 'C',
    sources: [
      {
        rows: parts.rows.map(({ row }) => row),
        document: 'Aldermoor house rule HR-9',
        documentEdition: '1',
        clause: '1',
        use: 'routine',
        verification,
      },
    ],
    ...parts,
  }
}

export function compiled(content: EditionContent): CompiledTable {
  const made = compileTable(EditionContentWire.parse(content))
  if ('refusals' in made) throw new Error(JSON.stringify(made.refusals))
  return made.table
}
