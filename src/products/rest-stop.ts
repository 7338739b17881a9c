import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, refusals } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { CancellationWire, RejectionWire } from '../platform/versioned-words.ts'
import type { ProductServices } from './acts.ts'
import { cancelVersion, rejectVersion } from './acts-stop.ts'
import { ProductVersionWire } from './words.ts'

const VersionParams = z.strictObject({ product: KeyWire, version: NumberParam })
const tags = ['products']

/** What stops a version: one person is enough. */
export function registerVersionStops(app: RestApp, services: Services & ProductServices): void {
  app.post(
    '/v1/products/:product/versions/:version/rejection',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'rejectVersion',
        tags,
        summary: 'Send content in review back, for good; one person is enough',
        params: VersionParams,
        body: RejectionWire,
        response: { 200: ProductVersionWire, ...refusals('version-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => rejectVersion(services, request.person, request.params, request.body),
  )

  app.post(
    '/v1/products/:product/versions/:version/cancellation',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'cancelVersion',
        tags,
        summary: 'Take a confirmed version back before it takes effect; one person is enough',
        params: VersionParams,
        body: CancellationWire,
        response: { 200: ProductVersionWire, ...refusals('version-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => cancelVersion(services, request.person, request.params, request.body),
  )
}
