import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { CancellationWire, RejectionWire } from '../platform/versioned-words.ts'
import { WithdrawalWire } from './act-words.ts'
import { cancelRevision, rejectRevision, withdrawRevision } from './acts/stop.ts'
import { RevisionWire } from './record.ts'

const RevisionParams = z.strictObject({ plan: KeyWire, revision: NumberParam })
const tags = ['plans']

/** What stops a revision: one person is enough. */
export function registerRevisionStops(app: RestApp, services: Services): void {
  app.post(
    '/v1/plans/:plan/revisions/:revision/rejection',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'rejectRevision',
        tags,
        summary: 'Send content in review back, for good; one person is enough',
        params: RevisionParams,
        body: RejectionWire,
        response: { 200: RevisionWire, ...refusals('revision-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => rejectRevision(services, request.person, request.params, request.body),
  )

  app.post(
    '/v1/plans/:plan/revisions/:revision/cancellation',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'cancelRevision',
        tags,
        summary: 'Take an approved revision back before it is in force; what it would have ended goes on',
        params: RevisionParams,
        body: CancellationWire,
        response: { 200: RevisionWire, ...refusals('revision-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => cancelRevision(services, request.person, request.params, request.body),
  )

  app.post(
    '/v1/plans/:plan/revisions/:revision/withdrawal',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'withdrawRevision',
        tags,
        summary: 'Take a revision out of use from now, later or earlier on; one person is enough',
        description:
          'From an instant that has passed, nothing that was tested before this act is refused, but the evidence of tests since ' +
          'then is suspect and their units may not ship. What the revision ended before stays ended.',
        params: RevisionParams,
        body: WithdrawalWire,
        response: { 200: RevisionWire, ...refusals('revision-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => withdrawRevision(services, request.person, request.params, request.body),
  )
}
