import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { writeInstant } from '../exact/time.ts'
import {
  makePage,
  NumberParam,
  PageWire,
  PlaceInstant,
  PlaceNumber,
  pageQuery,
  readPage,
  refusals,
  requireMatch,
  sendCreated,
  sendEditable,
  sendList,
  sendPage,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { ApprovalWire } from './act-words.ts'
import { approveRevision } from './acts/approve.ts'
import { createRevision, replaceRevision } from './acts/draft.ts'
import { answerFinding, FindingWire } from './finding-answer.ts'
import { getPlan, getRevision, listPlans, listRevisions, readBlocks, readFindings } from './reads.ts'
import { ApprovedRevisionWire, BlockWire, CheckWire, PlanWire, RevisionWire } from './record.ts'
import { registerBlocks } from './rest-blocks.ts'
import { registerPermits } from './rest-permits.ts'
import { registerRevisionStops } from './rest-stop.ts'
import { registerSweep } from './rest-sweep.ts'
import { RevisionDraftWire } from './words.ts'

const PlanParams = z.strictObject({ plan: KeyWire })
const RevisionParams = z.strictObject({ plan: KeyWire, revision: NumberParam })
const PageQuery = z.strictObject(pageQuery)
const PlanPage = PageWire(PlanWire).meta({ id: 'PlanPage' })
const RevisionPage = PageWire(RevisionWire).meta({ id: 'PlanRevisionPage' })
const FindingPage = z
  .strictObject({ check: CheckWire, ...PageWire(FindingWire).shape })
  .meta({ id: 'FindingPage', description: 'What the check named found; a draft is checked for the answer alone.' })
const FindingPlaceWire = z.tuple([PlaceNumber, PlaceNumber])
const BlockPage = PageWire(BlockWire).meta({ id: 'BlockPage' })
const tags = ['plans']

/** Plans, their revisions, what checks found in them and when they are blocked. */
export function registerPlans(app: RestApp, services: Services): void {
  registerPlanReads(app, services)
  registerRevisions(app, services)
  registerRevisionActs(app, services)
  registerRevisionStops(app, services)
  registerRevisionChecks(app, services)
  registerBlocks(app, services)
  registerPermits(app, services)
  registerSweep(app, services)
}

function registerPlanReads(app: RestApp, { database, received }: Services): void {
  const { sql } = database

  app.get(
    '/v1/plans',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listPlans',
        tags,
        summary: 'Plans and the revisions of each in force now',
        querystring: PageQuery,
        response: { 200: PlanPage, ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'plans',
        place: KeyWire,
        placeOf: ({ plan }) => plan,
        read: ({ after = '', limit }) => listPlans(sql, { after, limit }, received.now()),
      }),
  )

  app.get(
    '/v1/plans/:plan',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getPlan',
        tags,
        summary: 'One plan',
        params: PlanParams,
        response: { 200: PlanWire, ...refusals('plan-not-found') },
      },
    },
    (request) => getPlan(sql, request.params.plan, received.now()),
  )
}

function registerRevisions(app: RestApp, services: Services): void {
  const { sql } = services.database

  app.get(
    '/v1/plans/:plan/revisions',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listRevisions',
        tags,
        summary: 'The revisions of a plan, ascending',
        params: PlanParams,
        querystring: PageQuery,
        response: { 200: RevisionPage, ...refusals('plan-not-found', 'cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `revisions/${request.params.plan}`,
        place: PlaceNumber,
        placeOf: ({ revision }) => revision,
        read: ({ after = 0, limit }) => listRevisions(sql, request.params.plan, { after, limit }),
      }),
  )

  app.post(
    '/v1/plans/:plan/revisions',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createRevision',
        tags,
        summary: 'Write a new revision; the first one makes the plan',
        params: PlanParams,
        body: RevisionDraftWire,
        response: { 201: RevisionWire, ...refusals('already-exists', 'number-not-higher') },
      },
    },
    async (request, reply) => {
      const created = await createRevision(services, request.person, request.params.plan, request.body)
      const location = ['plans', created.plan, 'revisions', String(created.revision)]
      return sendCreated(reply, location, sendEditable(reply, created))
    },
  )

  app.get(
    '/v1/plans/:plan/revisions/:revision',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getRevision',
        tags,
        summary: 'One revision of a plan',
        params: RevisionParams,
        response: { 200: RevisionWire, ...refusals('revision-not-found') },
      },
    },
    async (request, reply) => sendEditable(reply, await getRevision(sql, request.params)),
  )

  app.put(
    '/v1/plans/:plan/revisions/:revision',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'replaceRevision',
        tags,
        summary: 'Replace a draft; needs If-Match',
        params: RevisionParams,
        body: RevisionDraftWire,
        response: {
          200: RevisionWire,
          ...refusals('revision-not-found', 'revision-locked', 'precondition-missing', 'precondition-stale'),
        },
      },
    },
    async (request, reply) => {
      const match = (digest: string) => requireMatch(request, digest)
      const replaced = await replaceRevision(services, request.person, request.params, request.body, match)
      return sendEditable(reply, replaced)
    },
  )
}

function registerRevisionActs(app: RestApp, services: Services): void {
  app.post(
    '/v1/plans/:plan/revisions/:revision/approval',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'approveRevision',
        tags,
        summary: 'Sign content and instant as the second person; the revision is in force from the instant on',
        params: RevisionParams,
        body: ApprovalWire,
        response: {
          200: ApprovedRevisionWire,
          ...refusals(
            'revision-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'effective-instant-passed',
            'findings-block',
            'other-plan-in-force',
            'rules-changed',
          ),
        },
      },
    },
    (request) => approveRevision(services, request.person, request.params, request.body),
  )
}

function registerRevisionChecks(app: RestApp, { database, received }: Services): void {
  app.get(
    '/v1/plans/:plan/revisions/:revision/findings',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listFindings',
        tags,
        summary: 'What the newest check of a revision found',
        params: RevisionParams,
        querystring: PageQuery,
        response: { 200: FindingPage, ...refusals('revision-not-found', 'cursor-invalid') },
      },
    },
    async (request, reply) => {
      const list = `findings/${request.params.plan}/${request.params.revision}`
      const { limit, after } = readPage(list, request.query, FindingPlaceWire)
      const { check, findings } = await readFindings(database, request.params, { after, limit, at: received.now() })
      const page = sendPage(
        request,
        reply,
        makePage(list, findings, limit, ({ place }) => place),
      )
      return { check, items: page.items.map(({ finding }) => answerFinding(finding)), nextCursor: page.nextCursor }
    },
  )

  app.get(
    '/v1/plans/:plan/revisions/:revision/blocks',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listBlocks',
        tags,
        summary: 'When a revision must not be used, by its newest check',
        params: RevisionParams,
        querystring: PageQuery,
        response: { 200: BlockPage, ...refusals('revision-not-found', 'cursor-invalid') },
      },
    },
    async (request, reply) => {
      const list = `blocks/${request.params.plan}/${request.params.revision}`
      const { limit, after } = readPage(list, request.query, PlaceInstant)
      const blocks = (await readBlocks(database.sql, request.params)).filter(
        ({ from }) => after === undefined || from > after,
      )
      const page = sendPage(
        request,
        reply,
        makePage(list, blocks, limit, ({ from }) => from),
      )
      return {
        items: page.items.map(({ from, until, causeVersion, causes }) => ({
          from: writeInstant(from),
          until: until === null ? null : writeInstant(until),
          causeVersion,
          causes: [...causes],
        })),
        nextCursor: page.nextCursor,
      }
    },
  )
}
