import { z } from 'zod'
import { isWellFormedText, KeyWire } from '../exact/text.ts'
import { refusals, sendCreated } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { RAW_LENGTH_MAX } from '../products/serial.ts'
import { recordUnitEvent } from './acts.ts'
import { RecordedUnitEventWire, UnitEventDraftWire } from './event-words.ts'
import { readUnit, writeUnit, writeUnitRelease } from './reads.ts'
import { checkReleases } from './reads-releases.ts'
import { CheckedReleasesWire, ReleaseCheckWire, UnitReleaseWire, UnitWire } from './words.ts'

const UnitParams = z.strictObject({
  product: KeyWire,
  serial: z.string().min(1).max(RAW_LENGTH_MAX).refine(isWellFormedText, 'text holds NUL or half a character'),
})

export function registerUnits(app: RestApp, services: Services): void {
  app.get(
    '/v1/units/:product/:serial',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'readUnit',
        tags: ['units'],
        summary: 'The history of a unit: every attempt in order, with evidence and release',
        params: UnitParams,
        response: { 200: UnitWire, ...refusals('product-not-found', 'unit-not-found') },
      },
    },
    async (request) => writeUnit(await readUnit(services.database, request.params)),
  )
  app.post(
    '/v1/units/:product/:serial/events',
    {
      config: { permission: 'record-unit' },
      schema: {
        operationId: 'recordUnitEvent',
        tags: ['units'],
        summary: 'Record what happened to a unit: opened, reworked, shipped, returned, scrapped',
        description:
          'A physical fact is never refused, also of a unit that nobody tested. What was tested before a unit was opened, ' +
          'reworked or returned proves nothing any more; a test of a unit that was shipped or scrapped, and of which nothing ' +
          'says that it came back, is accepted, and its standing held until the return is recorded.',
        params: UnitParams,
        body: UnitEventDraftWire,
        response: {
          201: RecordedUnitEventWire,
          ...refusals('product-not-found', 'reference-unknown', 'instant-in-future', 'event-key-reused'),
        },
      },
    },
    async (request, reply) => {
      const recorded = await recordUnitEvent(services.database, request.person, request.params, request.body)
      return sendCreated(reply, ['units', request.params.product, request.params.serial], recorded)
    },
  )
  app.get(
    '/v1/units/:product/:serial/release',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'readRelease',
        tags: ['units'],
        summary: 'May this unit ship? If not, why, and what to do',
        description:
          'A serial number of which no run is known is answered too: it is not releasable, with the reason `unit-unknown`. ' +
          'The answer speaks of records; local codes and licensed practice govern whether equipment may be placed on the market.',
        params: UnitParams,
        response: { 200: UnitReleaseWire, ...refusals('product-not-found') },
      },
    },
    async (request) => writeUnitRelease(await readUnit(services.database, request.params)),
  )
  app.post(
    '/v1/release-checks',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'checkReleases',
        tags: ['units'],
        summary: 'May these units ship? Up to 5,000 at once',
        description:
          'Answers for each what `readRelease` answers, in the order asked, and stores nothing. A product of which no version ' +
          'is in effect is no refusal: its units are not releasable. Local codes and licensed practice govern.',
        body: ReleaseCheckWire,
        response: { 200: CheckedReleasesWire },
      },
    },
    (request) => checkReleases(services, request.body),
  )
}
