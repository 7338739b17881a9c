import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import type { EditionContent } from '../../src/rules/words.ts'
import { extractorStrength } from '../support/aldermoor.ts'
import {
  type Answer,
  created,
  expected,
  type PersonClient,
  startTestService,
  type TestService,
} from '../support/service.ts'

let service: TestService
let author: PersonClient
let approver: PersonClient

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0101', ['author'])
  approver = await service.addPerson('P-0201', ['approver'])
})

afterAll(() => service.close())

const pathOf = (table: string, act = '') => `/v1/rule-tables/${table}/editions/1${act}`

/** A table of bands of the rated voltage: each row a cell and the test voltage that it demands. */
async function write(
  table: string,
  rows: readonly (readonly [when: string, then: string])[],
  change: Partial<EditionContent> = {},
): Promise<string> {
  const content = extractorStrength({
    table,
    edition: 1,
    overrides: [],
    hitPolicy: 'U',
    inputs: [{ attribute: 'ratedVoltage', type: 'number', unit: 'V', values: '[24..480]' }],
    outputs: [{ parameter: 'testVoltage', relation: '>=', unit: 'V' }],
    rows: rows.map(([when, then], n) => ({ row: `r${n + 1}`, when: [when], then: [then] })),
    sources: [
      {
        rows: rows.map((_, n) => `r${n + 1}`),
        document: 'Aldermoor house rule HR-7',
        documentEdition: '3',
        clause: '3.1',
        use: 'routine',
        verification: 'invented',
      },
    ],
    ...change,
  })
  return created(await author.post(`/v1/rule-tables/${table}/editions`, { content })).body.digest
}

const submit = (table: string) => author.post(pathOf(table, '/submission'), undefined)
const publish = (table: string, digest: string) =>
  approver.sign(pathOf(table, '/publication'), {
    digest,
    meaning: 'read',
    effectiveFrom: 'at-once',
    bindsBecause: 'house rule',
  })
const verification = async (table: string) => expected(await author.get(pathOf(table, '/verification')), 200).body
// The house rules of these tests are invented, which is warned of as well.
const tableWarnings = ({ body }: Answer) =>
  body.warnings.filter(({ code }: { code: string }) => code !== 'rows-not-binding')
const codesOf = (answer: Answer) => tableWarnings(answer).map(({ code }: { code: string }) => code)

describe('submission', () => {
  test('refuses rows that overlap under U, with an input, and leaves the draft as it is', async () => {
    await write('overlapping', [
      ['[24..150]', '800'],
      ['[150..480]', '1000'],
    ])
    const refused = await submit('overlapping')
    expect(refused).toMatchObject({ status: 422, body: { type: 'urn:limitkeep:problem:field-invalid' } })
    expect(refused.body.detail).toContain('/v1/rule-tables/overlapping/editions/1/verification')
    expect(refused.body.errors).toEqual([
      {
        pointer: '#/rows/1/when',
        code: 'rows-overlap',
        in: 'body',
        detail:
          "matches together with row 'r1' where ratedVoltage is 150 V, for example at ratedVoltage 150 V, family dust-extractor; under U no two rows may",
      },
    ])
    expect((await author.get(pathOf('overlapping'))).body).toMatchObject({ state: 'draft' })
  })

  test('refuses a cell that divides by zero for some input', async () => {
    await write('dividing', [['-', '1000 / (ratedVoltage - 230)']])
    const refused = expected(await submit('dividing'), 422)
    expect(refused.body.errors).toMatchObject([{ pointer: '#/rows/0/then/0', code: 'division-by-zero' }])
    expect(refused.body.errors[0].detail).toContain('divides by zero for some input, such as ratedVoltage 230 V')
    expect(await verification('dividing')).toMatchObject({
      noResultCount: 1,
      noResults: [
        { row: 'r1', parameter: 'testVoltage', because: 'division-by-zero', isShown: true, severity: 'wrong' },
      ],
    })
  })

  test('refuses rows that disagree under A, and takes those that agree', async () => {
    await write(
      'disagreeing',
      [
        ['[24..150]', '800'],
        ['[100..480]', '801'],
      ],
      { hitPolicy: 'A' },
    )
    expect(expected(await submit('disagreeing'), 422).body.errors).toMatchObject([{ code: 'rows-disagree' }])
    await write(
      'agreeing',
      [
        ['[24..150]', '2 * ratedVoltage'],
        ['[100..480]', 'ratedVoltage + ratedVoltage'],
      ],
      { hitPolicy: 'A' },
    )
    expect(codesOf(expected(await submit('agreeing'), 200))).toEqual([])
  })

  test('keeps what is only suspicious as warnings, in every later answer', async () => {
    const digest = await write('gapped', [
      ['[24..150)', '800'],
      ['(150..250]', '1000'],
    ])
    expect(codesOf(await author.get(pathOf('gapped')))).toEqual([])
    const submitted = expected(await submit('gapped'), 200)
    expect(codesOf(submitted)).toEqual(['edge-not-covered', 'gap'])
    expect(tableWarnings(submitted)[1].detail).toContain('No row matches where ratedVoltage is 150, (250..480] V')
    const published = expected(await publish('gapped', digest), 200)
    expect(tableWarnings(published)).toEqual(tableWarnings(submitted))
    const [listed] = (await author.get('/v1/rule-tables/gapped/editions')).body.items
    expect(listed.warnings).toEqual(published.body.warnings)
  })

  test('a content that was replaced is verified anew', async () => {
    const digest = await write('mended', [
      ['[24..150]', '800'],
      ['[150..480]', '1000'],
    ])
    expect((await submit('mended')).status).toBe(422)
    const { content } = (await author.get(pathOf('mended'))).body
    content.rows[1].when = ['(150..480]']
    expected(await author.put(pathOf('mended'), { content }, { 'if-match': `"${digest}"` }), 200)
    expect(codesOf(expected(await submit('mended'), 200))).toEqual([])
  })
})

test('publication refuses a draft that submission would refuse', async () => {
  const digest = await write('unsubmitted', [
    ['-', '800'],
    ['230', '1000'],
  ])
  expect((await publish('unsubmitted', digest)).body).toMatchObject({
    type: 'urn:limitkeep:problem:field-invalid',
    errors: [{ pointer: '#/rows/1/when', code: 'rows-overlap' }],
  })
})

describe('the verification of an edition', () => {
  test('is told of a draft, with regions and inputs', async () => {
    const digest = await write('drafted', [
      ['[24..150)', '800'],
      ['(150..480]', '1000'],
    ])
    expect(await verification('drafted')).toEqual({
      table: 'drafted',
      edition: 1,
      digest,
      hitPolicy: 'U',
      neverApplies: false,
      overlapCount: 0,
      overlaps: [],
      gapCount: 1,
      gaps: [
        {
          severity: 'suspicious',
          region: [
            { attribute: 'ratedVoltage', tests: '150', unit: 'V' },
            { attribute: 'family', tests: '-', unit: null },
          ],
          example: [
            { attribute: 'ratedVoltage', value: '150', unit: 'V' },
            { attribute: 'family', value: 'dust-extractor', unit: null },
          ],
        },
      ],
      edgeCount: 1,
      edges: [expect.objectContaining({ attribute: 'ratedVoltage', value: '150', unit: 'V', covered: 'not-at-all' })],
      idleRowCount: 0,
      idleRows: [],
      noResultCount: 0,
      noResults: [],
      unfinished: [],
    })
  })

  test('is the same in the graph', async () => {
    const place = 'severity region { attribute tests unit } example { attribute value unit }'
    const query = `query ($table: Key!) { edition(table: $table, edition: 1) { verification {
      table edition digest hitPolicy neverApplies unfinished
      overlapCount overlaps { rows demands ${place} } gapCount gaps { ${place} }
      edgeCount edges { attribute value unit covered rows ${place} }
      idleRowCount idleRows { row because by ${place} }
      noResultCount noResults { row parameter pointer because isShown ${place} } } } }`
    await write('graphed', [
      ['[24..150]', '800'],
      ['[150..250]', '1000 / (ratedVoltage - 200)'],
      ['(250..480]', '1000'],
      ['[24..100]', '800'],
    ])
    const { body } = await author.post('/graphql', { query, variables: { table: 'graphed' } })
    expect(body.errors).toBeUndefined()
    const words = (value: unknown): unknown => {
      if (Array.isArray(value)) return value.map(words)
      if (typeof value !== 'object' || value === null) return value
      return Object.fromEntries(
        Object.entries(value).map(([member, inner]) => {
          const isWord = ['severity', 'demands', 'covered', 'because'].includes(member)
          return [member, isWord ? String(inner).toLowerCase().replaceAll('_', '-') : words(inner)]
        }),
      )
    }
    expect(words(body.data.edition.verification)).toEqual(await verification('graphed'))
  })

  test('is for those who may read, of editions that are there', async () => {
    expect((await author.get(pathOf('nowhere', '/verification'))).body.type).toBe(
      'urn:limitkeep:problem:edition-not-found',
    )
    expect((await service.client(undefined).get(pathOf('drafted', '/verification'))).status).toBe(401)
    expect((await approver.get(pathOf('drafted', '/verification'))).status).toBe(200)
  })

  test('of large tables, asked for together, lets others be answered meanwhile', async () => {
    const bands = Array.from({ length: 250 }, (_, n) => {
      const from = 24 + ((n * 7919) % 400)
      return [`[${from}..${from + 1 + (n % 50)}]`, String(n)] as const
    })
    const tables = ['large-1', 'large-2', 'large-3']
    for (const table of tables) await write(table, bands)
    const asked = tables.map((table) => verification(table))
    const all = Promise.all(asked)
    const other = author.get('/v1/rule-sets').then(({ status }) => status)
    expect(await Promise.race([all, other])).toBe(200)
    const reports = await all
    expect(reports.map(({ table }) => table)).toEqual(tables)
    for (const report of reports) {
      expect(report.overlaps).toHaveLength(50)
      expect(report.overlapCount).toBeGreaterThan(50)
    }
  })
})
