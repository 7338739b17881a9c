import { z } from 'zod'
import { type Actor, speaksFor } from '../access/words.ts'
import { KeyWire } from '../exact/text.ts'
import {
  NumberParam,
  PageWire,
  pageQuery,
  refusals,
  sendCreated,
  sendList,
  sendTagged,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { Problem, type ProblemKey } from '../platform/problems.ts'
import { createSite, createStation } from './acts.ts'
import { getSite, getStation, listSites, listStations } from './reads.ts'
import { getAssignment } from './reads-assignment.ts'
import { getSetupSheet } from './reads-setup-sheet.ts'
import { registerInstruments, registerProgrammings } from './rest-instruments.ts'
import { PAGE_POLICY, setupSheetPage } from './setup-sheet-page.ts'
import { SetupSheetWire } from './setup-sheet-words.ts'
import { AssignmentWire, SiteDraftWire, SiteWire, StationDraftWire, StationWire } from './words.ts'

const tags = ['stations']
const SitePage = PageWire(SiteWire).meta({ id: 'SitePage' })
const StationPage = PageWire(StationWire).meta({ id: 'StationPage' })
const PageQuery = z.strictObject({ ...pageQuery })
const SiteParams = z.strictObject({ site: KeyWire })
const StationParams = z.strictObject({ station: KeyWire })
const RevisionParams = z.strictObject({ plan: KeyWire, revision: NumberParam })
/** Asking by `serial` is not in this version: it is unknown, and so refused by name. */
const AssignmentQuery = z.strictObject({ product: KeyWire, variant: KeyWire.optional(), operation: KeyWire })
const SetupSheetQuery = z.strictObject({
  variant: KeyWire.optional(),
  station: KeyWire.optional(),
  instrument: KeyWire.optional().describe('Whether it would take the revision, wherever it stands'),
})
const sheetRefusals = [
  'revision-not-found',
  'variant-not-found',
  'station-not-found',
  'instrument-not-found',
] as const satisfies ProblemKey[]

/** Sites, stations, instruments, calibrations, programmings, and what a station is to test with. */
export function registerStations(app: RestApp, services: Services): void {
  registerSites(app, services)
  registerInstruments(app, services)
  registerProgrammings(app, services)
  registerAssignments(app, services)
}

function registerSites(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/sites',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'createSite',
        tags,
        summary: 'Open a site',
        body: SiteDraftWire,
        response: { 201: SiteWire, ...refusals('already-exists', 'instant-in-future') },
      },
    },
    async (request, reply) => {
      const site = await createSite(database, request.person, request.body)
      return sendCreated(reply, ['sites', site.site], site)
    },
  )

  app.get(
    '/v1/sites',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listSites',
        tags,
        summary: 'All sites, in order of their keys',
        querystring: PageQuery,
        response: { 200: SitePage, ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'sites',
        place: KeyWire,
        placeOf: ({ site }) => site,
        read: (page) => listSites(database.sql, page),
      }),
  )

  app.get(
    '/v1/sites/:site',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getSite',
        tags,
        summary: 'One site',
        params: SiteParams,
        response: { 200: SiteWire, ...refusals('site-not-found') },
      },
    },
    (request) => getSite(database.sql, request.params.site),
  )

  app.post(
    '/v1/stations',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'createStation',
        tags,
        summary: 'Add a station to a site',
        body: StationDraftWire,
        response: { 201: StationWire, ...refusals('already-exists', 'reference-unknown') },
      },
    },
    async (request, reply) => {
      const station = await createStation(database, request.person, request.body)
      return sendCreated(reply, ['stations', station.station], station)
    },
  )

  app.get(
    '/v1/stations',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listStations',
        tags,
        summary: 'Stations in order of their keys, of one site where it is named',
        querystring: z.strictObject({ ...pageQuery, site: KeyWire.optional() }),
        response: { 200: StationPage, ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'stations',
        place: KeyWire,
        placeOf: ({ station }) => station,
        read: (page) => listStations(database.sql, page, request.query.site),
      }),
  )

  app.get(
    '/v1/stations/:station',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getStation',
        tags,
        summary: 'One station',
        params: StationParams,
        response: { 200: StationWire, ...refusals('station-not-found') },
      },
    },
    (request) => getStation(database.sql, request.params.station),
  )
}

function registerAssignments(app: RestApp, { database }: Services): void {
  app.get(
    '/v1/stations/:station/assignment',
    {
      config: { permission: 'assignment' },
      schema: {
        operationId: 'getAssignment',
        tags,
        summary: 'What a station is to test with, now and next, and whether it may',
        description:
          'Poll it with If-None-Match. `trustUntil` counts from the answer; it is sent anew within the hour at the latest.',
        params: StationParams,
        querystring: AssignmentQuery,
        response: { 200: AssignmentWire, ...refusals('station-not-found') },
      },
    },
    async (request, reply) => {
      const { station } = request.params
      requireOwn(request.actor, station)
      const { assignment, digest } = await getAssignment(database, station, request.query)
      return sendTagged(reply, digest, assignment)
    },
  )

  app.get(
    '/v1/plans/:plan/revisions/:revision/setup-sheet',
    {
      config: { permission: 'setup-sheet' },
      schema: {
        operationId: 'getSetupSheet',
        tags,
        summary: 'What to key into a tester for a revision, with connections, limits and cautions',
        params: RevisionParams,
        querystring: SetupSheetQuery,
        response: {
          200: SetupSheetWire,
          ...refusals(...sheetRefusals),
        },
      },
    },
    (request) => getSetupSheet(database, { ...request.params, ...request.query }),
  )

  app.get(
    '/v1/plans/:plan/revisions/:revision/setup-sheet/page',
    {
      config: { permission: 'setup-sheet' },
      schema: {
        operationId: 'getSetupSheetPage',
        tags,
        summary: 'The setup sheet as one HTML page for A4, with cautions and room for two signatures',
        params: RevisionParams,
        querystring: SetupSheetQuery,
        response: {
          200: { description: 'It loads nothing and runs nothing', content: { 'text/html': { schema: z.string() } } },
          ...refusals(...sheetRefusals),
        },
      },
    },
    async (request, reply) => {
      const page = setupSheetPage(await getSetupSheet(database, { ...request.params, ...request.query }))
      reply.header('content-security-policy', `${PAGE_POLICY}; frame-ancestors 'none'`)
      return reply.type('text/html; charset=utf-8').send(page as never)
    },
  )
}

/** A station or gateway key sees its own stations; whether there are others is none of its business. */
function requireOwn(actor: Actor, station: string): void {
  if (speaksFor(actor, station)) return
  throw new Problem('permission-missing', { detail: `This key does not speak for station ${station}.` })
}
