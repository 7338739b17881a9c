import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import {
  makePage,
  NumberParam,
  PageWire,
  PlaceNumber,
  pageQuery,
  readPage,
  refusals,
  requireMatch,
  sendCreated,
  sendPage,
  sendTagged,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { SubmissionWire } from '../products/words.ts'
import { createEdition, publishEdition, type RuleServices, replaceEdition, submitEdition } from './acts.ts'
import { getEdition, listEditions, listRuleSets, listRuleTables } from './reads.ts'
import { EditionWire, RuleSetWire, RuleTableWire } from './record.ts'
import { EditionDraftWire, PublicationRequestWire } from './words.ts'

const TableParams = z.strictObject({ table: KeyWire })
const EditionParams = z.strictObject({ table: KeyWire, edition: NumberParam })
const PageQuery = z.strictObject({ ...pageQuery })
const tags = ['rules']

/** Rule sets, rule tables and their editions. */
export function registerRules(app: RestApp, services: Services & RuleServices): void {
  const { database, received } = services
  const { sql } = database

  app.get(
    '/v1/rule-sets',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listRuleSets',
        tags,
        summary: 'Rule sets and their tables',
        querystring: PageQuery,
        response: { 200: PageWire(RuleSetWire), ...refusals('cursor-invalid') },
      },
    },
    async (request, reply) => {
      const page = readPage('rule-sets', request.query, KeyWire)
      const items = await listRuleSets(sql, { after: page.after ?? '', limit: page.limit })
      return sendPage(
        request,
        reply,
        makePage('rule-sets', items, page.limit, ({ ruleSet }) => ruleSet),
      )
    },
  )

  app.get(
    '/v1/rule-tables',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listRuleTables',
        tags,
        summary: 'Rule tables and the edition of each in effect now',
        querystring: PageQuery,
        response: { 200: PageWire(RuleTableWire), ...refusals('cursor-invalid') },
      },
    },
    async (request, reply) => {
      const page = readPage('rule-tables', request.query, KeyWire)
      const items = await listRuleTables(sql, { after: page.after ?? '', limit: page.limit }, received.now())
      return sendPage(
        request,
        reply,
        makePage('rule-tables', items, page.limit, ({ table }) => table),
      )
    },
  )

  app.get(
    '/v1/rule-tables/:table/editions',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listEditions',
        tags,
        summary: 'The editions of a rule table, ascending',
        params: TableParams,
        querystring: PageQuery,
        response: { 200: PageWire(EditionWire), ...refusals('rule-table-not-found', 'cursor-invalid') },
      },
    },
    async (request, reply) => {
      const list = `editions/${request.params.table}`
      const page = readPage(list, request.query, PlaceNumber)
      const items = await listEditions(sql, request.params.table, { after: page.after ?? 0, limit: page.limit })
      return sendPage(
        request,
        reply,
        makePage(list, items, page.limit, ({ edition }) => edition),
      )
    },
  )

  app.post(
    '/v1/rule-tables/:table/editions',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createEdition',
        tags,
        summary: 'Write a new edition; the first one makes the table and its rule set',
        params: TableParams,
        body: EditionDraftWire,
        response: { 201: EditionWire, ...refusals('already-exists', 'number-not-higher') },
      },
    },
    async (request, reply) => {
      const created = await createEdition(services, request.person, request.params.table, request.body)
      const location = ['rule-tables', created.table, 'editions', String(created.edition)]
      return sendCreated(reply, location, sendTagged(reply, created.digest, created))
    },
  )

  app.get(
    '/v1/rule-tables/:table/editions/:edition',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getEdition',
        tags,
        summary: 'One edition of a rule table',
        params: EditionParams,
        response: { 200: EditionWire, ...refusals('edition-not-found') },
      },
    },
    async (request, reply) => {
      const edition = await getEdition(sql, request.params.table, request.params.edition)
      return sendTagged(reply, edition.digest, edition)
    },
  )

  app.put(
    '/v1/rule-tables/:table/editions/:edition',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'replaceEdition',
        tags,
        summary: 'Replace a draft; needs If-Match',
        params: EditionParams,
        body: EditionDraftWire,
        response: {
          200: EditionWire,
          ...refusals('edition-not-found', 'edition-locked', 'precondition-missing', 'precondition-stale'),
        },
      },
    },
    async (request, reply) => {
      const match = (digest: string) => requireMatch(request, digest)
      const replaced = await replaceEdition(services, request.person, request.params, request.body, match)
      return sendTagged(reply, replaced.digest, replaced)
    },
  )

  app.post(
    '/v1/rule-tables/:table/editions/:edition/submission',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'submitEdition',
        tags,
        summary: 'Freeze a draft for the second person',
        params: EditionParams,
        body: SubmissionWire,
        response: { 200: EditionWire, ...refusals('edition-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    async (request, reply) => {
      const submitted = await submitEdition(services, request.person, request.params, request.body)
      return sendTagged(reply, submitted.digest, submitted)
    },
  )

  app.post(
    '/v1/rule-tables/:table/editions/:edition/publication',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'publishEdition',
        tags,
        summary: 'Sign an edition as the second person; it takes effect from the instant given',
        params: EditionParams,
        body: PublicationRequestWire,
        response: {
          200: EditionWire,
          ...refusals(
            'edition-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'effective-instant-passed',
          ),
        },
      },
    },
    async (request, reply) => {
      const published = await publishEdition(services, request.person, request.params, request.body)
      return sendTagged(reply, published.digest, published)
    },
  )
}
