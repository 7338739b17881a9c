import { z } from 'zod'
import { PageWire, refusals, sendCreated } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { confirmCorrection, correctRun } from './acts.ts'
import { listCorrections } from './reads.ts'
import { CorrectionConfirmationWire, CorrectionDraftWire, CorrectionWire } from './words.ts'

const RunParams = z.strictObject({ runId: z.string().min(1).max(64) })
const CorrectionParams = RunParams.extend({ correctionId: z.string().min(1).max(64) })
const tags = ['runs']

export function registerCorrections(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/runs/:runId/corrections',
    {
      config: { permission: 'correct' },
      schema: {
        operationId: 'correctRun',
        tags,
        summary: 'Correct a number of a run, with a reason; what was sent first stays',
        description:
          'The run is judged again with the corrected number, by the revision and calibration of then. Where the verdict ' +
          'stays, the correction is in effect at once; where it changes, a second person must confirm it.',
        params: RunParams,
        body: CorrectionDraftWire,
        response: { 201: CorrectionWire, ...refusals('run-not-found', 'state-conflict') },
      },
    },
    async (request, reply) => {
      const correction = await correctRun(database, request.person, request.params.runId, request.body)
      return sendCreated(reply, ['runs', request.params.runId, 'corrections'], correction)
    },
  )
  app.get(
    '/v1/runs/:runId/corrections',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listCorrections',
        tags,
        summary: 'The corrections of a run, in the order in which they were made',
        params: RunParams,
        response: { 200: PageWire(CorrectionWire), ...refusals('run-not-found') },
      },
    },
    async (request) => ({ items: await listCorrections(database, request.params.runId), nextCursor: null }),
  )
  app.post(
    '/v1/runs/:runId/corrections/:correctionId/confirmation',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'confirmCorrection',
        tags,
        summary: 'Sign a correction as the second person; from then on the run counts with its verdict',
        params: CorrectionParams,
        body: CorrectionConfirmationWire,
        response: {
          200: CorrectionWire,
          ...refusals('run-not-found', 'correction-not-found', 'state-conflict', 'digest-stale', 'two-people-required'),
        },
      },
    },
    (request) => confirmCorrection(database, request.person, request.params, request.body),
  )
}
