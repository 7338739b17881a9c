import type { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { readRevisions } from '../plans/reads-many.ts'
import type { Revision, RevisionKey } from '../plans/record.ts'
import { type GraphBuilder, type GraphObject, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  grouped,
  inOrder,
  type Listing,
  orNull,
  readConnection,
  readConnections,
} from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { graphInstruments } from './graph-instruments.ts'
import { getSite, getStation, listProgrammings, listSites, listStations } from './reads.ts'
import { readAssignmentsOf, readProgrammingsOf, readSites, readStations, readStationsOf } from './reads-many.ts'
import { DatedPlaceWire, datedPlace } from './reads-places.ts'
import {
  type InstrumentAssignmentAnswer,
  type ProgrammingAnswer,
  type Site,
  type Station,
  stationLinks,
} from './words.ts'

type DatedPlace = z.infer<typeof DatedPlaceWire>

const sitesListing: Listing<Site, string> = { name: 'sites', place: KeyWire, placeOf: ({ site }) => site }
const stationsListing: Listing<Station, string> = {
  name: 'stations',
  place: KeyWire,
  placeOf: ({ station }) => station,
}
const assignmentsOf = (station: string): Listing<InstrumentAssignmentAnswer, DatedPlace> => ({
  name: `instruments/${station}`,
  place: DatedPlaceWire,
  placeOf: ({ from, instrument }) => datedPlace(from, instrument),
})
const programmingsListing: Listing<ProgrammingAnswer, DatedPlace> = {
  name: 'programmings',
  place: DatedPlaceWire,
  placeOf: ({ at, programming }) => datedPlace(at, programming),
}
const revisionText = ({ plan, revision }: RevisionKey) => `${plan}/${revision}`

/** Sites, stations, instruments, calibrations and programmings. */
export function graphStations(
  builder: GraphBuilder,
  { database }: Services,
  plans: { readonly Revision: GraphObject<Revision> },
) {
  const { sql } = database
  const Site = builder.objectRef<Site>('Site')
  const Station = builder.objectRef<Station>('Station')
  const Assignment = builder.objectRef<InstrumentAssignmentAnswer>('InstrumentAssignment')
  const Programming = builder.objectRef<ProgrammingAnswer>('Programming')
  const Ending = builder.objectRef<NonNullable<ProgrammingAnswer['ending']>>('ProgrammingEnding')
  const Link = wordsEnum(builder, 'StationLink', stationLinks)
  const SiteConnection = builder.connectionObject({ type: Site, name: 'SiteConnection' }, { name: 'SiteEdge' })
  const StationConnection = builder.connectionObject(
    { type: Station, name: 'StationConnection' },
    { name: 'StationEdge' },
  )
  const AssignmentConnection = builder.connectionObject(
    { type: Assignment, name: 'InstrumentAssignmentConnection' },
    { name: 'InstrumentAssignmentEdge' },
  )
  const ProgrammingConnection = builder.connectionObject(
    { type: Programming, name: 'ProgrammingConnection' },
    { name: 'ProgrammingEdge' },
  )
  const { Instrument, loadInstruments, StepKind } = graphInstruments(builder, database)
  const loadSites = async (keys: string[]) => inOrder(keys, await readSites(sql, keys), ({ site }) => site)
  const loadStations = async (keys: string[]) => inOrder(keys, await readStations(sql, keys), ({ station }) => station)

  Site.implement({
    description: 'A plant, with its time zone.',
    fields: (t) => ({
      site: t.exposeString('site'),
      name: t.exposeString('name'),
      timeZone: t.exposeString('timeZone'),
      openedAt: t.expose('openedAt', { type: 'Instant' }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
      stations: t.loadable({
        type: StationConnection,
        byPath: true,
        args: pageArgs(builder),
        load: (sites: string[], _context, args) =>
          readConnections(
            sites,
            args,
            (site) => ({ ...stationsListing, name: `stations/${site}` }),
            async (asked, page) => grouped(asked, await readStationsOf(sql, asked, page), ({ site }) => site),
          ),
        resolve: ({ site }) => site,
      }),
    }),
  })
  Station.implement({
    description: 'A test position at a site.',
    fields: (t) => ({
      station: t.exposeString('station'),
      site: t.exposeString('site'),
      siteDetails: t.loadable({ type: Site, nullable: true, load: loadSites, resolve: ({ site }) => site }),
      name: t.exposeString('name'),
      linked: t.expose('linked', { type: Link }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
      instruments: t.loadable({
        type: AssignmentConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'The instruments assigned to it, in order of the instant from which they were.',
        load: (stations: string[], _context, args) =>
          readConnections(stations, args, assignmentsOf, async (asked, page) =>
            grouped(asked, await readAssignmentsOf(sql, asked, page), ({ station }) => station),
          ),
        resolve: ({ station }) => station,
      }),
      programmings: t.loadable({
        type: ProgrammingConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'In the order in which they were made.',
        load: (stations: string[], _context, args) =>
          readConnections(
            stations,
            args,
            (station) => ({ ...programmingsListing, name: `programmings/${station}` }),
            async (asked, page) =>
              grouped(asked, await readProgrammingsOf(sql, 'station', asked, page), ({ station }) => station),
          ),
        resolve: ({ station }) => station,
      }),
    }),
  })
  Assignment.implement({
    description: 'An instrument put at a station.',
    fields: (t) => ({
      station: t.exposeString('station'),
      instrument: t.exposeString('instrument'),
      instrumentDetails: t.loadable({
        type: Instrument,
        nullable: true,
        load: loadInstruments,
        resolve: ({ instrument }) => instrument,
      }),
      from: t.expose('from', { type: 'Instant' }),
      until: t.expose('until', {
        type: 'Instant',
        nullable: true,
        description: 'As recorded; a later assignment of the station or of the instrument may end it before.',
      }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
    }),
  })
  Ending.implement({
    description: 'The recorded end of a programming.',
    fields: (t) => ({
      at: t.expose('at', { type: 'Instant' }),
      reason: t.exposeString('reason'),
      endedBy: t.exposeString('endedBy'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
    }),
  })
  Programming.implement({
    description:
      'The record that a revision was keyed into programs of an instrument, and read back by another person.',
    fields: (t) => ({
      programming: t.exposeString('programming'),
      station: t.exposeString('station'),
      stationDetails: t.loadable({
        type: Station,
        nullable: true,
        load: loadStations,
        resolve: ({ station }) => station,
      }),
      instrument: t.exposeString('instrument'),
      instrumentDetails: t.loadable({
        type: Instrument,
        nullable: true,
        load: loadInstruments,
        resolve: ({ instrument }) => instrument,
      }),
      programs: t.exposeStringList('programs'),
      plan: t.exposeString('plan'),
      revision: t.exposeInt('revision'),
      revisionDigest: t.exposeString('revisionDigest'),
      revisionDetails: t.loadable({
        type: plans.Revision,
        nullable: true,
        loaderOptions: { cacheKeyFn: revisionText },
        load: async (keys: RevisionKey[]) =>
          inOrder(keys.map(revisionText), await readRevisions(sql, keys), revisionText),
        resolve: ({ plan, revision }) => ({ plan, revision }),
      }),
      keyedBy: t.exposeString('keyedBy'),
      readBackBy: t.exposeString('readBackBy'),
      at: t.expose('at', { type: 'Instant' }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      ending: t.field({ type: Ending, nullable: true, resolve: ({ ending }) => ending }),
    }),
  })
  builder.queryFields((t) => ({
    sites: t.field({
      type: SiteConnection,
      args: pageArgs(builder),
      resolve: (_root, args) => readConnection(args, sitesListing, (page) => listSites(sql, page)),
    }),
    site: t.field({
      type: Site,
      nullable: true,
      args: { site: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { site }) => orNull(getSite(sql, site)),
    }),
    stations: t.field({
      type: StationConnection,
      args: { ...pageArgs(builder), site: t.arg({ type: 'Key' }) },
      resolve: (_root, { site, ...args }) =>
        readConnection(args, stationsListing, (page) => listStations(sql, page, site ?? undefined)),
    }),
    station: t.field({
      type: Station,
      nullable: true,
      args: { station: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { station }) => orNull(getStation(sql, station)),
    }),
    programmings: t.field({
      type: ProgrammingConnection,
      args: { ...pageArgs(builder), station: t.arg({ type: 'Key' }), instrument: t.arg({ type: 'Key' }) },
      resolve: (_root, { station, instrument, ...args }) =>
        readConnection(args, programmingsListing, (page) =>
          listProgrammings(sql, page, { station: station ?? undefined, instrument: instrument ?? undefined }),
        ),
    }),
  }))
  return { Station, loadStations, StepKind }
}
