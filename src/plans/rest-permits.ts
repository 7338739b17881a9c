import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, PageWire, pageQuery, refusals, sendCreated, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { approvePermit, requestPermit, withdrawPermit } from './acts/permits.ts'
import { PermitApprovalWire, PermitDraftWire, PermitWire, PermitWithdrawalWire } from './permit-words.ts'
import { getPermit, listPermits } from './reads-permits.ts'

const tags = ['plans']
const Params = z.strictObject({ permit: KeyWire })

/** Leave to depart from a limit, given beforehand. */
export function registerPermits(app: RestApp, services: Services): void {
  const { sql } = services.database
  app.post(
    '/v1/permits',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'requestPermit',
        tags,
        summary: 'Ask for leave to depart from one limit of an approved revision, bounded in quantity and time',
        description:
          'It permits nothing until another person has approved it, and never what the rules forbid. A permit changes what is ' +
          'accepted, not what is safe to touch: the usual high-voltage precautions hold, and local codes and licensed practice govern.',
        body: PermitDraftWire,
        response: {
          201: PermitWire,
          ...refusals('already-exists', 'revision-not-found', 'digest-stale', 'state-conflict'),
        },
      },
    },
    async (request, reply) => {
      const permit = await requestPermit(services, request.person, request.body)
      return sendCreated(reply, ['permits', permit.permit], permit)
    },
  )
  app.get(
    '/v1/permits',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listPermits',
        tags,
        summary: 'Permits in order of their keys, of one plan or revision where it is named',
        querystring: z.strictObject({ ...pageQuery, plan: KeyWire.optional(), revision: NumberParam.optional() }),
        response: { 200: PageWire(PermitWire).meta({ id: 'PermitPage' }), ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'permits',
        place: KeyWire,
        placeOf: ({ permit }) => permit,
        read: (page) => listPermits(sql, page, request.query),
      }),
  )
  app.get(
    '/v1/permits/:permit',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getPermit',
        tags,
        summary: 'One permit, and how many units have passed under it',
        params: Params,
        response: { 200: PermitWire, ...refusals('permit-not-found') },
      },
    },
    (request) => getPermit(sql, request.params.permit),
  )
  app.post(
    '/v1/permits/:permit/approval',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'approvePermit',
        tags,
        summary: 'Give the leave, as the second person; refused where the rules do not allow the relaxed limit',
        params: Params,
        body: PermitApprovalWire,
        response: {
          200: PermitWire,
          ...refusals(
            'permit-not-found',
            'revision-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'beyond-rules',
            'rules-changed',
            'effective-instant-passed',
          ),
        },
      },
    },
    (request) => approvePermit(services, request.person, request.params.permit, request.body),
  )
  app.post(
    '/v1/permits/:permit/withdrawal',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'withdrawPermit',
        tags,
        summary: 'End a permit from now on; what passed under it stays',
        params: Params,
        body: PermitWithdrawalWire,
        response: { 200: PermitWire, ...refusals('permit-not-found', 'state-conflict') },
      },
    },
    (request) => withdrawPermit(services, request.person, request.params.permit, request.body),
  )
}
