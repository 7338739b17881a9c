import { KeyWire } from '../exact/text.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { costs, type GraphBuilder, type GraphObject, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  grouped,
  inOrder,
  type Listing,
  orNull,
  readConnection,
  readConnections,
} from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { getEdition, listRuleSets, listRuleTables, readEditions, readEditionsOf, readRuleTables } from './reads.ts'
import { verifyEdition } from './reads-verification.ts'
import { type Edition, type EditionKey, editionStates, type RuleSet, type RuleTable } from './record.ts'
import {
  agreements,
  type Edge,
  edgeCovers,
  type Gap,
  type IdleRow,
  idleReasons,
  type NoResultOfCell,
  noResultReasons,
  type Overlap,
  severities,
  type TableVerification,
  unfinishedParts,
} from './verify/report.ts'

const setsListing: Listing<RuleSet, string> = { name: 'rule-sets', place: KeyWire, placeOf: ({ ruleSet }) => ruleSet }
const tablesListing: Listing<RuleTable, string> = { name: 'rule-tables', place: KeyWire, placeOf: ({ table }) => table }
const editionsOf = (table: string): Listing<Edition, number> => ({
  name: `editions/${table}`,
  place: PlaceNumber,
  placeOf: ({ edition }) => edition,
})
const textOf = ({ table, edition }: EditionKey) => `${table}/${edition}`

/** Rule sets, rule tables and their editions. */
export function graphRules(builder: GraphBuilder, { database, received }: Services) {
  const { sql } = database
  const RuleSet = builder.objectRef<RuleSet>('RuleSet')
  const RuleTable = builder.objectRef<RuleTable>('RuleTable')
  const Edition = builder.objectRef<Edition>('Edition')
  const EditionWarning = builder.objectRef<Edition['warnings'][number]>('EditionWarning')
  const State = wordsEnum(builder, 'EditionState', editionStates)
  const SetConnection = builder.connectionObject({ type: RuleSet, name: 'RuleSetConnection' }, { name: 'RuleSetEdge' })
  const TableConnection = builder.connectionObject(
    { type: RuleTable, name: 'RuleTableConnection' },
    { name: 'RuleTableEdge' },
  )
  const EditionConnection = builder.connectionObject(
    { type: Edition, name: 'EditionConnection' },
    { name: 'EditionEdge' },
  )
  const Verification = graphVerification(builder)
  const loadTables = async (keys: string[]) =>
    inOrder(keys, await readRuleTables(sql, keys, received.now()), ({ table }) => table)
  const editionsByKey = {
    loaderOptions: { cacheKeyFn: textOf },
    load: async (keys: EditionKey[]) => inOrder(keys.map(textOf), await readEditions(sql, keys), textOf),
  }

  RuleSet.implement({
    description: 'A rule set and the tables that belong to it.',
    fields: (t) => ({
      ruleSet: t.exposeString('ruleSet'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      tables: t.exposeStringList('tables'),
      tablesDetails: t.loadableList({
        type: RuleTable,
        load: async (sets: string[][]) => {
          const tables = await readRuleTables(sql, [...new Set(sets.flat())], received.now())
          const byKey = new Map(tables.map((table) => [table.table, table]))
          return sets.map((keys) => keys.flatMap((key) => byKey.get(key) ?? []))
        },
        loaderOptions: { cacheKeyFn: (keys: string[]) => keys.join(' ') },
        resolve: ({ tables }) => tables,
      }),
    }),
  })
  RuleTable.implement({
    description: 'A rule table and where its editions stand.',
    fields: (t) => ({
      table: t.exposeString('table'),
      ruleSet: t.exposeString('ruleSet'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      latestEdition: t.exposeInt('latestEdition'),
      editionInEffect: t.exposeInt('editionInEffect', {
        nullable: true,
        description: 'Null where none is published yet, or the first only takes effect later.',
      }),
      editionInEffectDetails: t.loadable({
        type: Edition,
        nullable: true,
        ...editionsByKey,
        resolve: ({ table, editionInEffect }) =>
          editionInEffect === null ? null : { table, edition: editionInEffect },
      }),
      editions: t.loadable({
        type: EditionConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'Ascending.',
        load: (tables: string[], _context, args) =>
          readConnections(tables, args, editionsOf, async (asked, { after = 0, limit }) =>
            grouped(asked, await readEditionsOf(sql, asked, { after, limit }), ({ table }) => table),
          ),
        resolve: ({ table }) => table,
      }),
    }),
  })
  EditionWarning.implement({
    description: 'What is accepted in an edition and yet looks like a slip.',
    fields: (t) => ({
      pointer: t.exposeString('pointer'),
      code: t.exposeString('code'),
      detail: t.exposeString('detail'),
    }),
  })
  Edition.implement({
    description: 'An edition of a rule table. What has not happened yet is null.',
    fields: (t) => ({
      table: t.exposeString('table'),
      tableDetails: t.loadable({ type: RuleTable, nullable: true, load: loadTables, resolve: ({ table }) => table }),
      edition: t.exposeInt('edition'),
      state: t.expose('state', { type: State }),
      content: t.expose('content', { type: 'Json', ...costs({ cost: 10 }), description: 'What the digest covers.' }),
      digest: t.exposeString('digest'),
      changeReason: t.exposeString('changeReason', { nullable: true }),
      authors: t.exposeStringList('authors'),
      createdAt: t.expose('createdAt', { type: 'Instant' }),
      submittedAt: t.expose('submittedAt', { type: 'Instant', nullable: true }),
      submittedBy: t.exposeString('submittedBy', { nullable: true }),
      publishedAt: t.expose('publishedAt', { type: 'Instant', nullable: true }),
      publishedBy: t.exposeString('publishedBy', { nullable: true }),
      publishedMeaning: t.exposeString('publishedMeaning', { nullable: true }),
      effectiveFrom: t.expose('effectiveFrom', { type: 'Instant', nullable: true }),
      bindsBecause: t.exposeString('bindsBecause', { nullable: true }),
      rulesVersion: t.exposeInt('rulesVersion', { nullable: true }),
      rejectedAt: t.expose('rejectedAt', { type: 'Instant', nullable: true }),
      rejectedBy: t.exposeString('rejectedBy', { nullable: true }),
      rejectedReason: t.exposeString('rejectedReason', { nullable: true }),
      cancelledAt: t.expose('cancelledAt', { type: 'Instant', nullable: true }),
      cancelledBy: t.exposeString('cancelledBy', { nullable: true }),
      cancelledReason: t.exposeString('cancelledReason', { nullable: true }),
      warnings: t.field({
        type: [EditionWarning],
        description: 'Of the table once it is submitted, of overrides as of now; none stands in the way of an act.',
        resolve: ({ warnings }) => warnings,
      }),
      verification: t.field({
        type: Verification,
        nullable: true,
        ...costs({ cost: 500 }),
        description:
          'What is wrong or suspicious with the edition as a table; null where its content does not compile.',
        resolve: (edition) => verifyEdition(edition),
      }),
    }),
  })
  builder.queryFields((t) => ({
    ruleSets: t.field({
      type: SetConnection,
      args: pageArgs(builder),
      resolve: (_root, args) =>
        readConnection(args, setsListing, ({ after = '', limit }) => listRuleSets(sql, { after, limit })),
    }),
    ruleTables: t.field({
      type: TableConnection,
      args: pageArgs(builder),
      resolve: (_root, args) =>
        readConnection(args, tablesListing, ({ after = '', limit }) =>
          listRuleTables(sql, { after, limit }, received.now()),
        ),
    }),
    ruleTable: t.field({
      type: RuleTable,
      nullable: true,
      args: { table: t.arg({ type: 'Key', required: true }) },
      resolve: async (_root, { table }) => (await loadTables([table]))[0] ?? null,
    }),
    edition: t.field({
      type: Edition,
      nullable: true,
      args: { table: t.arg({ type: 'Key', required: true }), edition: t.arg.int({ required: true }) },
      resolve: (_root, { table, edition }) => orNull(getEdition(sql, table, edition)),
    }),
  }))
  return { Edition, editionsByKey }
}

/** What verifying a table found, as REST answers it. */
function graphVerification(builder: GraphBuilder): GraphObject<TableVerification> {
  const Verification = builder.objectRef<TableVerification>('TableVerification')
  const Side = builder.objectRef<Gap['region'][number]>('VerificationSide')
  const Value = builder.objectRef<Gap['example'][number]>('VerificationValue')
  const VerifiedOverlap = builder.objectRef<Overlap>('VerificationOverlap')
  const VerifiedGap = builder.objectRef<Gap>('VerificationGap')
  const VerifiedEdge = builder.objectRef<Edge>('VerificationEdge')
  const VerifiedIdleRow = builder.objectRef<IdleRow>('VerificationIdleRow')
  const VerifiedNoResult = builder.objectRef<NoResultOfCell>('VerificationNoResult')
  const Severity = wordsEnum(builder, 'VerificationSeverity', severities)
  const Agreement = wordsEnum(builder, 'RowAgreement', agreements)
  const Cover = wordsEnum(builder, 'EdgeCover', edgeCovers)
  const IdleReason = wordsEnum(builder, 'IdleReason', idleReasons)
  const NoResultReason = wordsEnum(builder, 'NoResultReason', noResultReasons)
  const Unfinished = wordsEnum(builder, 'UnfinishedPart', unfinishedParts)

  Side.implement({
    description: 'One input of a region; the region is where all of them hold.',
    fields: (t) => ({
      attribute: t.exposeString('attribute'),
      tests: t.exposeString('tests', { description: 'FEEL unary tests; - is all that the table is made for.' }),
      unit: t.exposeString('unit', { nullable: true }),
    }),
  })
  Value.implement({
    description: 'One input of an example.',
    fields: (t) => ({
      attribute: t.exposeString('attribute'),
      value: t.exposeString('value'),
      unit: t.exposeString('unit', { nullable: true }),
    }),
  })
  VerifiedOverlap.implement({
    description: 'Two rows that match the same inputs.',
    fields: (t) => ({
      rows: t.exposeStringList('rows'),
      demands: t.expose('demands', { type: Agreement }),
      severity: t.expose('severity', { type: Severity }),
      region: t.expose('region', { type: [Side] }),
      example: t.expose('example', { type: [Value] }),
    }),
  })
  VerifiedGap.implement({
    description: 'Inputs that no row matches, as large as a region can be; gaps may overlap.',
    fields: (t) => ({
      severity: t.expose('severity', { type: Severity }),
      region: t.expose('region', { type: [Side] }),
      example: t.expose('example', { type: [Value] }),
    }),
  })
  VerifiedEdge.implement({
    description: 'A single number at which a range ends, in no row or in two.',
    fields: (t) => ({
      attribute: t.exposeString('attribute'),
      value: t.exposeString('value'),
      unit: t.exposeString('unit', { nullable: true }),
      covered: t.expose('covered', { type: Cover }),
      rows: t.exposeStringList('rows'),
      severity: t.expose('severity', { type: Severity }),
      region: t.expose('region', { type: [Side] }),
      example: t.expose('example', { type: [Value] }),
    }),
  })
  VerifiedIdleRow.implement({
    description: 'A row that never counts.',
    fields: (t) => ({
      row: t.exposeString('row'),
      because: t.expose('because', { type: IdleReason }),
      by: t.exposeStringList('by'),
      severity: t.expose('severity', { type: Severity }),
      region: t.expose('region', { type: [Side] }),
      example: t.expose('example', { type: [Value], nullable: true }),
    }),
  })
  VerifiedNoResult.implement({
    description: 'An output cell that comes to nothing for some input of its row.',
    fields: (t) => ({
      row: t.exposeString('row'),
      parameter: t.exposeString('parameter'),
      pointer: t.exposeString('pointer'),
      because: t.expose('because', { type: NoResultReason }),
      isShown: t.exposeBoolean('isShown', { description: 'False where it was neither shown nor excluded.' }),
      severity: t.expose('severity', { type: Severity }),
      region: t.expose('region', { type: [Side] }),
      example: t.expose('example', { type: [Value], nullable: true }),
    }),
  })
  Verification.implement({
    description: 'What is wrong or suspicious with a rule table as a table. Each count is of all that was found.',
    fields: (t) => ({
      table: t.exposeString('table'),
      edition: t.exposeInt('edition'),
      digest: t.exposeString('digest'),
      hitPolicy: t.exposeString('hitPolicy', { description: 'By the letters of DMN.' }),
      neverApplies: t.exposeBoolean('neverApplies'),
      overlapCount: t.exposeInt('overlapCount'),
      overlaps: t.expose('overlaps', { type: [VerifiedOverlap] }),
      gapCount: t.exposeInt('gapCount'),
      gaps: t.expose('gaps', { type: [VerifiedGap] }),
      edgeCount: t.exposeInt('edgeCount'),
      edges: t.expose('edges', { type: [VerifiedEdge] }),
      idleRowCount: t.exposeInt('idleRowCount'),
      idleRows: t.expose('idleRows', { type: [VerifiedIdleRow] }),
      noResultCount: t.exposeInt('noResultCount'),
      noResults: t.expose('noResults', { type: [VerifiedNoResult] }),
      unfinished: t.expose('unfinished', { type: [Unfinished], description: 'What was not searched to its end.' }),
    }),
  })
  return Verification
}
