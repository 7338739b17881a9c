import { z } from 'zod'
import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { type GraphBuilder, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  type Connection,
  connectionOf,
  type Listing,
  type PageArgs,
  pageOf,
} from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { type FindingWire, findingCodes, revisionCheckVerdicts, severities, writeFinding } from './findings.ts'
import { type FindingPlace, type FindingsRead, readFindings } from './reads.ts'
import { readBlocksOf, readFirstFindings } from './reads-many.ts'
import { type BlockWire, type CheckAnswer, type RevisionKey, revisionNotFound } from './record.ts'

type Finding = z.infer<typeof FindingWire>
type Block = z.infer<typeof BlockWire>
type Placed = { readonly place: FindingPlace; readonly node: Finding }

const PlaceOfFinding = z.tuple([PlaceNumber, PlaceNumber])
const findingsOf = ({ plan, revision }: RevisionKey): Listing<Placed, FindingPlace> => ({
  name: `findings/${plan}/${revision}`,
  place: PlaceOfFinding,
  placeOf: ({ place }) => place,
})

/** The check of a revision, its findings and its blocks. */
export function graphChecks(builder: GraphBuilder, { database, received }: Services) {
  const Check = builder.objectRef<CheckAnswer>('RevisionCheck')
  const Finding = builder.objectRef<Finding>('Finding')
  const Block = builder.objectRef<Block>('Block')
  const Verdict = wordsEnum(builder, 'RevisionCheckVerdict', revisionCheckVerdicts)
  const Severity = wordsEnum(builder, 'FindingSeverity', severities)
  const Code = wordsEnum(builder, 'FindingCode', findingCodes)
  const FindingConnection = builder.connectionObject(
    { type: Finding, name: 'FindingConnection' },
    { name: 'FindingEdge' },
  )

  Check.implement({
    description: 'What rules and physics said of a revision at one rules version.',
    fields: (t) => ({
      rulesVersion: t.exposeInt('rulesVersion'),
      verdict: t.expose('verdict', { type: Verdict }),
      editions: t.exposeStringList('editions', { description: 'The editions that applied, as table/edition.' }),
      blockingCount: t.exposeInt('blockingCount'),
      warningCount: t.exposeInt('warningCount'),
      checkedAt: t.expose('checkedAt', { type: 'Instant' }),
    }),
  })
  Finding.implement({
    description: 'What a check found, and the interval in which it holds. Null: does not apply.',
    fields: (t) => ({
      severity: t.expose('severity', { type: Severity }),
      code: t.expose('code', { type: Code }),
      from: t.expose('from', { type: 'Instant' }),
      until: t.expose('until', { type: 'Instant', nullable: true, description: 'Null: without end.' }),
      table: t.exposeString('table', { nullable: true }),
      edition: t.exposeInt('edition', { nullable: true }),
      row: t.exposeString('row', { nullable: true }),
      variant: t.exposeString('variant', { nullable: true }),
      step: t.exposeString('step', { nullable: true }),
      measurement: t.exposeString('measurement', { nullable: true }),
      parameter: t.exposeString('parameter', { nullable: true }),
      relation: t.exposeString('relation', { nullable: true }),
      demanded: t.expose('demanded', { type: 'Json', nullable: true }),
      accepted: t.expose('accepted', { type: 'Json', nullable: true }),
      margin: t.expose('margin', { type: 'Json', nullable: true, description: 'Negative outside what is demanded.' }),
      nearest: t.expose('nearest', {
        type: 'Json',
        nullable: true,
        description: 'What would conform in place of `accepted`, as near as can be, in the unit of the plan.',
      }),
      facts: t.expose('facts', { type: 'Json' }),
    }),
  })
  Block.implement({
    description: 'An interval in which a revision must not be used.',
    fields: (t) => ({
      from: t.expose('from', { type: 'Instant' }),
      until: t.expose('until', { type: 'Instant', nullable: true, description: 'Null: without end.' }),
      causeVersion: t.exposeInt('causeVersion', { description: 'The rules version whose publication began it.' }),
      causes: t.exposeStringList('causes'),
    }),
  })

  /** Further pages are asked for one revision at a time, since a cursor belongs to one. */
  const loadFindings = async (keys: RevisionKey[], args: PageArgs): Promise<(Connection<Finding> | Error)[]> => {
    const at = received.now()
    if (typeof args.after === 'string') {
      const [only, ...others] = keys
      if (only === undefined) return []
      const page = pageOf(args, findingsOf(only))
      const read = await readFindings(database, only, { ...page, at })
      return [findingsPage(only, read, args), ...others.map((key) => revisionNotFound(key))]
    }
    const [first] = keys
    if (first === undefined) return []
    const { limit } = pageOf(args, findingsOf(first))
    const read = await readFirstFindings(database, keys, { limit, at })
    return keys.map((key) => {
      const found = read.get(`${key.plan}/${key.revision}`)
      return found === undefined ? revisionNotFound(key) : findingsPage(key, found, args)
    })
  }
  const loadBlocks = async (keys: RevisionKey[]): Promise<Block[][]> => {
    const blocks = await readBlocksOf(database.sql, keys)
    return keys.map(({ plan, revision }) =>
      (blocks.get(`${plan}/${revision}`) ?? []).map(({ from, until, causeVersion, causes }) => ({
        from: writeInstant(from),
        until: writeInstantOrNull(until),
        causeVersion,
        causes: [...causes],
      })),
    )
  }
  return { Check, Finding, FindingConnection, Block, loadFindings, loadBlocks }
}

function findingsPage(key: RevisionKey, { findings }: FindingsRead, args: PageArgs): Connection<Finding> {
  const listing = findingsOf(key)
  const placed = findings.map(({ place, finding }) => ({ place, node: writeFinding(finding) }))
  const { edges, pageInfo } = connectionOf(placed, pageOf(args, listing), listing)
  return { edges: edges.map(({ cursor, node }) => ({ cursor, node: node.node })), pageInfo }
}
