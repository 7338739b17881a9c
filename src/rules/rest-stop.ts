import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { CancellationWire, RejectionWire } from '../platform/versioned-words.ts'
import type { RuleServices } from './acts.ts'
import { cancelEdition, rejectEdition } from './acts-stop.ts'
import { EditionWire } from './record.ts'

const EditionParams = z.strictObject({ table: KeyWire, edition: NumberParam })
const tags = ['rules']

/** What stops an edition: one person is enough. */
export function registerEditionStops(app: RestApp, services: Services & RuleServices): void {
  app.post(
    '/v1/rule-tables/:table/editions/:edition/rejection',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'rejectEdition',
        tags,
        summary: 'Send content in review back, for good; one person is enough',
        params: EditionParams,
        body: RejectionWire,
        response: { 200: EditionWire, ...refusals('edition-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => rejectEdition(services, request.person, request.params, request.body),
  )

  app.post(
    '/v1/rule-tables/:table/editions/:edition/cancellation',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'cancelEdition',
        tags,
        summary: 'Take a published edition back before it takes effect; one person is enough',
        params: EditionParams,
        body: CancellationWire,
        response: { 200: EditionWire, ...refusals('edition-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => cancelEdition(services, request.person, request.params, request.body),
  )
}
