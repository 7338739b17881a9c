import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { getSweep } from './reads-sweep.ts'
import { SweepWire } from './sweep.ts'

const EditionParams = z.strictObject({ table: KeyWire, edition: NumberParam })

/** How far live revisions are checked against an edition that was published. */
export function registerSweep(app: RestApp, { database, received }: Services): void {
  app.get(
    '/v1/rule-tables/:table/editions/:edition/sweep',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getSweep',
        tags: ['rules'],
        summary: 'How many live revisions are checked against a published edition, and how many it blocked',
        params: EditionParams,
        response: { 200: SweepWire, ...refusals('edition-not-found', 'sweep-not-found') },
      },
    },
    (request) => getSweep(database.sql, request.params, received.now()),
  )
}
