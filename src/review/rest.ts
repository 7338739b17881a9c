import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { RevisionWire } from '../plans/record.ts'
import { NumberParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { submitReviewed } from './acts.ts'
import { RevisionDiffWire } from './diff-words.ts'
import { reviewRevision } from './reads.ts'
import { diffRevision } from './reads-diff.ts'
import { RevisionReviewWire, RevisionSubmissionWire } from './words.ts'

const RevisionParams = z.strictObject({ plan: KeyWire, revision: NumberParam })
const AgainstQuery = z.strictObject({ against: NumberParam.optional() })

/** What a revision changes and reaches, for whoever signs it; and its way to the signer. */
export function registerReview(app: RestApp, services: Services): void {
  const { database } = services
  app.get(
    '/v1/plans/:plan/revisions/:revision/diff',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'diffRevision',
        tags: ['plans'],
        summary:
          'What a revision tightens, loosens, adds or removes against another; without `against`, the one before it',
        params: RevisionParams,
        querystring: AgainstQuery,
        response: { 200: RevisionDiffWire, ...refusals('revision-not-found') },
      },
    },
    (request) => diffRevision(database.sql, request.params, request.query.against),
  )
  app.get(
    '/v1/plans/:plan/revisions/:revision/review',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'reviewRevision',
        tags: ['plans'],
        summary: 'What the signer of a revision should have seen: changes, findings side by side, stations it reaches',
        description:
          'Compared with the latest approved revision before it, or with `against`. Both are checked for this answer, by the ' +
          'rules of now. High voltage can kill; local code and licensed practice govern.',
        params: RevisionParams,
        querystring: AgainstQuery,
        response: { 200: RevisionReviewWire, ...refusals('revision-not-found') },
      },
    },
    (request) => reviewRevision(database, request.params, request.query.against),
  )
  app.post(
    '/v1/plans/:plan/revisions/:revision/submission',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'submitRevision',
        tags: ['plans'],
        summary: 'Check a draft and freeze it for the second person',
        description:
          'Refused where rules or physics would block it now, and where a limit moves far from the latest approved revision ' +
          'without a reason in limitReasons; the review names those limits.',
        params: RevisionParams,
        body: RevisionSubmissionWire,
        response: {
          200: RevisionWire,
          ...refusals(
            'revision-not-found',
            'state-conflict',
            'digest-stale',
            'findings-block',
            'rules-changed',
            'limit-reason-missing',
          ),
        },
      },
    },
    (request) => submitReviewed(services, request.person, request.params, request.body),
  )
}
