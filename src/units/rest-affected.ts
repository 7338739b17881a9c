import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { NumberParam, PlaceInstant, pageQuery, refusals, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { AffectedPageWire, type AffectedRun } from './affected-words.ts'
import { shipStates } from './event-words.ts'
import { countAffected, listAffected, readDoubt, readWithdrawalDoubt } from './reads-affected.ts'

const PlaceWire = z.tuple([PlaceInstant, z.uuid()])
const placeOf = ({ startedAt, runId }: AffectedRun): [number, string] => [Date.parse(startedAt), runId]
const AffectedQuery = z.strictObject({ ...pageQuery, shipState: z.enum(shipStates).optional() })

export function registerAffected(app: RestApp, { database }: Services): void {
  app.get(
    '/v1/station-checks/:stationCheck/affected',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listAffectedRuns',
        tags: ['station-checks'],
        summary: 'What a failed check puts in doubt: runs since the last good one, and where their units are',
        description:
          'Verdicts stay as they are; the evidence of these runs is suspect for the kinds named, so their units may not ship. ' +
          'Those that have shipped are for a person to decide about. Local codes and licensed practice govern.',
        params: z.strictObject({ stationCheck: KeyWire }),
        querystring: AffectedQuery,
        response: { 200: AffectedPageWire, ...refusals('station-check-not-found', 'cursor-invalid') },
      },
    },
    async (request, reply) => {
      const { shipState } = request.query
      const doubt = await readDoubt(database.sql, request.params.stationCheck)
      const page = await sendList(request, reply, {
        name: `affected/${request.params.stationCheck}`,
        place: PlaceWire,
        placeOf,
        read: (asked) => listAffected(database.sql, doubt, { ...asked, shipState }),
      })
      return { counts: await countAffected(database.sql, doubt), ...page }
    },
  )

  app.get(
    '/v1/plans/:plan/revisions/:revision/affected',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listRunsWithdrawn',
        tags: ['plans'],
        summary: 'What a withdrawal puts in doubt: runs since the instant that it names, and where their units are',
        description:
          'Verdicts stay as they are; the evidence of these runs is suspect, so their units may not ship. Empty where the ' +
          'revision is not withdrawn, or nothing was tested since. Those that have shipped are for a person to decide about. ' +
          'Local codes and licensed practice govern.',
        params: z.strictObject({ plan: KeyWire, revision: NumberParam }),
        querystring: AffectedQuery,
        response: { 200: AffectedPageWire, ...refusals('revision-not-found', 'cursor-invalid') },
      },
    },
    async (request, reply) => {
      const { plan, revision } = request.params
      const { shipState } = request.query
      const doubt = await readWithdrawalDoubt(database.sql, request.params)
      const page = await sendList(request, reply, {
        name: `withdrawn/${plan}/${revision}`,
        place: PlaceWire,
        placeOf,
        read: (asked) => listAffected(database.sql, doubt, { ...asked, shipState }),
      })
      return { counts: await countAffected(database.sql, doubt), ...page }
    },
  )
}
