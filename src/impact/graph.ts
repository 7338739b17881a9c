import type { z } from 'zod'
import type { FindingWire } from '../plans/findings.ts'
import { readRevisions } from '../plans/reads-many.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { costs, type GraphBuilder, type GraphObject, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import { grouped, inOrder, type Listing, readConnections } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { impactStates } from '../rules/impacts.ts'
import type { Edition, EditionKey } from '../rules/record.ts'
import { readStudies } from '../studies/reads.ts'
import type { StudyUncounted } from '../studies/record.ts'
import { readFindingsOf, readImpacts } from './reads.ts'
import type { ImpactAlone } from './record.ts'
import { type ImpactFinding, impactKinds } from './words.ts'

const findingsOf = (impact: string): Listing<ImpactFinding, number> => ({
  name: `impacts/${impact}/findings`,
  place: PlaceNumber,
  placeOf: ({ ordinal }) => ordinal,
})

/** What the rooms below have said already, for impacts to lead to. */
interface ImpactBelow {
  readonly Edition: GraphObject<Edition>
  readonly editionsByKey: {
    readonly loaderOptions: { readonly cacheKeyFn: (key: EditionKey) => string }
    readonly load: (keys: EditionKey[]) => Promise<(Edition | null)[]>
  }
  readonly Revision: GraphObject<Revision>
  readonly Finding: GraphObject<z.infer<typeof FindingWire>>
  readonly Study: GraphObject<StudyUncounted>
}

/** What publishing an edition would do, with what it would reach page by page. */
export function graphImpact(builder: GraphBuilder, { database }: Pick<Services, 'database'>, below: ImpactBelow): void {
  const { sql } = database
  const Impact = builder.objectRef<ImpactAlone>('Impact')
  const Reached = builder.objectRef<ImpactFinding>('ImpactFinding')
  const State = wordsEnum(builder, 'ImpactState', impactStates)
  const Kind = wordsEnum(builder, 'ImpactKind', impactKinds)
  const FindingConnection = builder.connectionObject(
    { type: Reached, name: 'ImpactFindingConnection' },
    { name: 'ImpactFindingEdge' },
  )
  const revisionText = ({ plan, revision }: RevisionKey) => `${plan}/${revision}`
  Reached.implement({
    description: 'A revision or permit that the publication would reach.',
    fields: (t) => ({
      ordinal: t.exposeInt('ordinal'),
      kind: t.expose('kind', { type: Kind }),
      plan: t.exposeString('plan'),
      revision: t.exposeInt('revision'),
      revisionDetails: t.loadable({
        type: below.Revision,
        nullable: true,
        loaderOptions: { cacheKeyFn: revisionText },
        load: async (keys: RevisionKey[]) =>
          inOrder(keys.map(revisionText), await readRevisions(sql, keys), revisionText),
        resolve: ({ plan, revision }) => ({ plan, revision }),
      }),
      product: t.exposeString('product'),
      permit: t.exposeString('permit', { nullable: true, description: 'Null: the revision itself.' }),
      from: t.expose('from', { type: 'Instant' }),
      until: t.expose('until', {
        type: 'Instant',
        nullable: true,
        description: 'From when on it would be so without the publication too; null: never.',
      }),
      findingsTotal: t.exposeInt('findingsTotal'),
      findings: t.field({
        type: [below.Finding],
        ...costs({ size: 4 }),
        description: 'The first of what blocks it then or later.',
        resolve: ({ findings }) => findings,
      }),
    }),
  })
  Impact.implement({
    description: 'What publishing an edition would do. Records only: local codes and licensed practice govern.',
    fields: (t) => ({
      impact: t.exposeString('impact'),
      table: t.exposeString('table'),
      edition: t.exposeInt('edition'),
      editionDetails: t.loadable({
        type: below.Edition,
        nullable: true,
        ...below.editionsByKey,
        resolve: ({ table, edition }) => ({ table, edition }),
      }),
      digest: t.exposeString('digest'),
      effectiveFrom: t.expose('effectiveFrom', { type: 'Instant', nullable: true, description: 'Null: at once.' }),
      bindsBecause: t.exposeString('bindsBecause', { nullable: true }),
      rulesVersion: t.exposeInt('rulesVersion', { description: 'The rules that it was worked out with.' }),
      current: t.exposeBoolean('current', { description: 'These are the rules still.' }),
      state: t.expose('state', { type: State }),
      failure: t.exposeString('failure', { nullable: true }),
      study: t.exposeString('study'),
      studyDetails: t.loadable({
        type: below.Study,
        nullable: true,
        description: 'Goes through the stored runs.',
        load: async (studies: string[]) => inOrder(studies, await readStudies(sql, studies), ({ study }) => study),
        resolve: ({ study }) => study,
      }),
      revisionsTotal: t.exposeInt('revisionsTotal'),
      revisionsChecked: t.exposeInt('revisionsChecked'),
      revisionsBlocked: t.exposeInt('revisionsBlocked'),
      revisionsUnapprovable: t.exposeInt('revisionsUnapprovable'),
      revisionsUncheckable: t.exposeInt('revisionsUncheckable'),
      permitsBeyond: t.exposeInt('permitsBeyond'),
      runsAffected: t.exposeInt('runsAffected', { nullable: true, description: 'Null until the study has ended.' }),
      findings: t.loadable({
        type: FindingConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'In order of plans.',
        load: (impacts: string[], _context, args) =>
          readConnections(impacts, args, findingsOf, async (asked, { after = 0, limit }) =>
            grouped(asked, await readFindingsOf(sql, asked, { after, limit }), ({ impact }) => impact),
          ),
        resolve: ({ impact }) => impact,
      }),
      askedAt: t.expose('askedAt', { type: 'Instant' }),
      askedBy: t.exposeString('askedBy'),
      endedAt: t.expose('endedAt', { type: 'Instant', nullable: true }),
    }),
  })
  builder.queryFields((t) => ({
    impact: t.loadable({
      type: Impact,
      nullable: true,
      args: { impact: t.arg({ type: 'Key', required: true }) },
      load: async (keys: string[]) => inOrder(keys, await readImpacts(database, keys), ({ impact }) => impact),
      resolve: (_root, { impact }) => impact,
    }),
  }))
}
