import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { readProposal } from './reads.ts'
import { ProposalRequestWire, ProposalWire } from './words.ts'

const PlanParams = z.strictObject({ plan: KeyWire })

/** Help with writing a plan. */
export function registerProposal(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/plans/:plan/revisions/proposal',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'proposeRevision',
        tags: ['plans'],
        summary: 'What a plan could say: a proposal with reasons, which is stored nowhere',
        description:
          'From the product version, the rules in effect and stored readings. An author decides what is open, sends the content as a draft, and a second person approves it like any other. The plan need not exist yet.',
        params: PlanParams,
        body: ProposalRequestWire,
        response: { 200: ProposalWire, ...refusals('field-invalid', 'reference-unknown') },
      },
    },
    (request) => readProposal(database, request.params.plan, request.body),
  )
}
