import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { RevisionDiffWire } from './diff-words.ts'
import { diffRevision } from './reads-diff.ts'

const DiffParams = z.strictObject({ plan: KeyWire, revision: NumberParam })
const DiffQuery = z.strictObject({ against: NumberParam.optional() })

/** What a revision changes, for whoever signs it. */
export function registerRevisionDiff(app: RestApp, { database }: Services): void {
  app.get(
    '/v1/plans/:plan/revisions/:revision/diff',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'diffRevision',
        tags: ['plans'],
        summary:
          'What a revision tightens, loosens, adds or removes against another; without `against`, the one before it',
        params: DiffParams,
        querystring: DiffQuery,
        response: { 200: RevisionDiffWire, ...refusals('revision-not-found') },
      },
    },
    (request) => diffRevision(database.sql, request.params, request.query.against),
  )
}
