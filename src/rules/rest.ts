import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import {
  NumberParam,
  PageWire,
  PlaceNumber,
  pageQuery,
  refusals,
  requireMatch,
  sendCreated,
  sendEditable,
  sendList,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { SubmissionWire } from '../platform/versioned-words.ts'
import { createEdition, publishEdition, type RuleServices, replaceEdition, submitEdition } from './acts.ts'
import { PublishedEditionWire } from './impacts.ts'
import { getEdition, listEditions, listRuleSets, listRuleTables } from './reads.ts'
import { getVerification } from './reads-verification.ts'
import { EditionWire, RuleSetWire, RuleTableWire } from './record.ts'
import { registerEditionStops } from './rest-stop.ts'
import { TableVerificationWire } from './verify/report.ts'
import { EditionDraftWire, PublicationRequestWire } from './words.ts'

const TableParams = z.strictObject({ table: KeyWire })
const EditionParams = z.strictObject({ table: KeyWire, edition: NumberParam })
const PageQuery = z.strictObject({ ...pageQuery })
const tags = ['rules']

const VERIFICATION_MEANING = [
  'Of any edition, drafts included: rows that overlap, inputs that no row matches, edges of ranges in no row or in two, rows',
  'that never count, and cells without a result. Exact, ends of ranges and single numbers included. Submission refuses what is',
  'wrong under the hit policy; of what is suspicious the edition keeps warnings. A gap may be meant; a product in it is',
  'refused by the check of its plans. Sources are not compared with any document. High voltage can kill; local code and',
  'licensed practice govern.',
].join(' ')

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
    (request, reply) =>
      sendList(request, reply, {
        name: 'rule-sets',
        place: KeyWire,
        placeOf: ({ ruleSet }) => ruleSet,
        read: ({ after = '', limit }) => listRuleSets(sql, { after, limit }),
      }),
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
    (request, reply) =>
      sendList(request, reply, {
        name: 'rule-tables',
        place: KeyWire,
        placeOf: ({ table }) => table,
        read: ({ after = '', limit }) => listRuleTables(sql, { after, limit }, received.now()),
      }),
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
    (request, reply) =>
      sendList(request, reply, {
        name: `editions/${request.params.table}`,
        place: PlaceNumber,
        placeOf: ({ edition }) => edition,
        read: ({ after = 0, limit }) => listEditions(sql, request.params.table, { after, limit }),
      }),
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
      return sendCreated(reply, location, sendEditable(reply, created))
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
    async (request, reply) => sendEditable(reply, await getEdition(sql, request.params.table, request.params.edition)),
  )

  app.get(
    '/v1/rule-tables/:table/editions/:edition/verification',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getEditionVerification',
        tags,
        summary: 'What is wrong or suspicious with an edition as a table, each with an input that shows it',
        description: VERIFICATION_MEANING,
        params: EditionParams,
        response: { 200: TableVerificationWire, ...refusals('edition-not-found', 'state-conflict') },
      },
    },
    (request) => getVerification(sql, request.params),
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
      return sendEditable(reply, replaced)
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
    (request) => submitEdition(services, request.person, request.params, request.body),
  )

  app.post(
    '/v1/rule-tables/:table/editions/:edition/publication',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'publishEdition',
        tags,
        summary: 'Sign an edition as the second person; it takes effect from the instant given',
        description:
          'The figures of the newest impact asked for this content are repeated in the answer and the ledger.',
        params: EditionParams,
        body: PublicationRequestWire,
        response: {
          200: PublishedEditionWire,
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
    (request) => publishEdition(services, request.person, request.params, request.body),
  )

  registerEditionStops(app, services)
}
