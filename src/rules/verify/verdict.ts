/** What a verification means for an edition: why it is refused, and what it is warned of. */
import type { ContentRefusal } from '../../platform/problems.ts'
import type { EditionContent } from '../words.ts'
import type { Severity, TableVerification, tableWarningCodes } from './report.ts'

type Report = Omit<TableVerification, 'digest'>
type Region = Report['gaps'][number]['region']
type Example = Report['gaps'][number]['example'] | null

export interface TableWarning {
  readonly pointer: string
  readonly code: (typeof tableWarningCodes)[number]
  readonly detail: string
}

/** Everything that makes the table wrong under its hit policy; pointers begin at the content. */
export function refusalsOf(report: Report, content: EditionContent): ContentRefusal[] {
  const overlaps = report.overlaps.flatMap(({ rows: [first, second], severity, region, example }) => {
    if (severity !== 'wrong') return []
    const isUnique = report.hitPolicy === 'U'
    const detail = isUnique
      ? `matches together with row '${first}' ${where(region, example)}; under U no two rows may`
      : `demands other than row '${first}' ${where(region, example)}; under A rows that match must demand the same`
    const pointer = `${rowPointer(content, second)}/${isUnique ? 'when' : 'then'}`
    return [{ pointer, code: isUnique ? 'rows-overlap' : 'rows-disagree', detail }]
  })
  const noResults = report.noResults.flatMap(({ pointer, because, isShown, region, example }) =>
    isShown
      ? [
          {
            pointer: pointer.slice('#/content'.length),
            code: because,
            detail: `${failures[because]} ${somewhere(region, example)}`,
          },
        ]
      : [],
  )
  return [...overlaps, ...noResults]
}

const failures = { 'division-by-zero': 'divides by zero', 'range-empty': 'is a range that holds nothing' } as const

/** Warnings that an edition keeps; the verification has all. */
const WARNINGS_MAX = 20

/** Everything that is only suspicious, the first of it in words. */
export function warningsOf(report: Report, content: EditionContent): TableWarning[] {
  if (report.neverApplies) return [neverApplies]
  const warnings = [
    ...edgeWarnings(report),
    ...gapWarnings(report),
    ...idleWarnings(report, content),
    ...undecidedWarnings(report, content),
  ]
  const { edgeCount, edges, gapCount, gaps, idleRowCount, idleRows, noResultCount, noResults } = report
  const left =
    warnings.length > WARNINGS_MAX ||
    isCut(edgeCount, edges) ||
    isCut(gapCount, gaps) ||
    isCut(idleRowCount, idleRows) ||
    isCut(noResultCount, noResults)
  const kept = warnings.slice(0, WARNINGS_MAX)
  if (left || report.unfinished.length > 0) kept.push(unfinishedWarning(report, left))
  return kept
}

/** Whether a list, the worst first, leaves out something that is at least suspicious. */
function isCut(count: number, items: readonly { readonly severity: Severity }[]): boolean {
  return count > items.length && items.every(({ severity }) => severity !== 'meant')
}

const neverApplies: TableWarning = {
  pointer: '#/content/appliesWhen',
  code: 'never-applies',
  detail: 'No product and step meets appliesWhen and the values of the columns, so the table never says anything.',
}

function edgeWarnings({ edges }: Report): TableWarning[] {
  return edges.flatMap(({ covered, attribute, value, unit, rows, severity, region, example }): TableWarning[] => {
    if (severity !== 'suspicious') return []
    const at = `${attribute} ${value}${unit === null ? '' : ` ${unit}`}`
    if (covered === 'not-at-all') {
      const detail = `The edge at ${at} lies in no row, though ranges end at it, ${where(region, example)}.`
      return [{ pointer: '#/content/rows', code: 'edge-not-covered', detail }]
    }
    const detail = `The edge at ${at} lies in the rows ${rows.join(' and ')}, which demand different things ${where(region, example)}.`
    return [{ pointer: '#/content/rows', code: 'edge-covered-twice', detail }]
  })
}

/** A gap that is nothing but an edge is warned of as that. */
function gapWarnings({ gaps, edges }: Report): TableWarning[] {
  const told = new Set(edges.map(({ region }) => JSON.stringify(region)))
  return gaps.flatMap(({ region, example }) =>
    told.has(JSON.stringify(region))
      ? []
      : [{ pointer: '#/content/rows', code: 'gap' as const, detail: `No row matches ${where(region, example)}.` }],
  )
}

function idleWarnings({ idleRows }: Report, content: EditionContent): TableWarning[] {
  return idleRows.map(({ row, because, by, example }) => {
    const others = by.join(', ')
    const sample = example === null ? '' : `; for example at ${writeExample(example)}`
    const detail = {
      'matches-nothing': `Row '${row}' matches nothing that its attributes can be.`,
      'taken-by-others': `Row '${row}' never counts: other rows take its place wherever it matches${sample}, ${others}.`,
      'says-nothing-new': `Row '${row}' demands what ${others} demands wherever it matches${sample}.`,
    }[because]
    return { pointer: `#/content${rowPointer(content, row)}`, code: 'row-idle', detail }
  })
}

function undecidedWarnings({ overlaps, noResults }: Report, content: EditionContent): TableWarning[] {
  const pairs = overlaps.flatMap(({ rows: [first, second], severity, region, example }) =>
    severity === 'suspicious'
      ? [
          {
            pointer: `#/content${rowPointer(content, second)}`,
            code: 'overlap-undecided' as const,
            detail: `Rows '${first}' and '${second}' match together, and may demand different things ${where(region, example)}.`,
          },
        ]
      : [],
  )
  const cells = noResults.flatMap(({ pointer, because, isShown, region }) =>
    isShown
      ? []
      : [
          {
            pointer,
            code: 'result-undecided' as const,
            detail: `It was neither shown nor excluded that the cell ${failures[because]} ${somewhere(region, null)}.`,
          },
        ],
  )
  return [...pairs, ...cells]
}

function unfinishedWarning({ unfinished }: Report, left: boolean): TableWarning {
  const parts = [
    ...(left ? ['There is more than is listed here; the verification of the edition tells it.'] : []),
    ...(unfinished.length > 0
      ? [`The table is too intricate to be verified to the end: ${unfinished.join(', ')}.`]
      : []),
  ]
  return { pointer: '#/content/rows', code: 'not-fully-verified', detail: parts.join(' ') }
}

function rowPointer({ rows }: EditionContent, key: string | undefined): string {
  return `/rows/${rows.findIndex(({ row }) => row === key)}`
}

/** For inputs of which the region holds some, not all. */
function somewhere(region: Region, example: Example): string {
  const place = where(region, null)
  const some = place === EVERYWHERE ? 'for some input' : `for some input ${place}`
  return example === null || example.length === 0 ? some : `${some}, such as ${writeExample(example)}`
}

const EVERYWHERE = 'for every input'

/** For all inputs of a region. */
function where(region: Region, example: Example): string {
  const sides = region.flatMap(({ attribute, tests, unit }) =>
    tests === '-' ? [] : [`${attribute} is ${tests}${unit === null ? '' : ` ${unit}`}`],
  )
  const place = sides.length === 0 ? EVERYWHERE : `where ${sides.join(' and ')}`
  return example === null || example.length === 0 ? place : `${place}, for example at ${writeExample(example)}`
}

function writeExample(example: NonNullable<Example>): string {
  return example
    .map(({ attribute, value, unit }) => `${attribute} ${value}${unit === null ? '' : ` ${unit}`}`)
    .join(', ')
}
