import { KeyWire } from '../exact/text.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { costs, type GraphBuilder, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
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
import { type Edition, type EditionKey, editionStates, type RuleSet, type RuleTable } from './record.ts'

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
  const loadTables = async (keys: string[]) =>
    inOrder(keys, await readRuleTables(sql, keys, received.now()), ({ table }) => table)

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
        loaderOptions: { cacheKeyFn: textOf },
        load: async (keys: EditionKey[]) => inOrder(keys.map(textOf), await readEditions(sql, keys), textOf),
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
      warnings: t.field({
        type: [EditionWarning],
        description: 'As of now; none stands in the way of an act.',
        resolve: ({ warnings }) => warnings,
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
  return { Edition }
}
