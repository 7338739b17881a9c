import { PlaceNumber } from '../platform/http/conventions.ts'
import { type GraphBuilder, type GraphObject, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import { grouped, type Listing, readConnections } from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import type { Station } from '../stations/words.ts'
import { csvFaultTexts } from './faults.ts'
import { FilePlaceWire, readFilesOf, readProfilesOf } from './reads.ts'
import { profileStates, type StationFile, type StationProfile } from './words.ts'

const profilesOf = (station: string): Listing<StationProfile, number> => ({
  name: `profiles/${station}`,
  place: PlaceNumber,
  placeOf: ({ profile }) => profile,
})
const filesOf = (station: string): Listing<StationFile, string> => ({
  name: `files/${station}`,
  place: FilePlaceWire,
  placeOf: ({ fileId }) => fileId,
})

/** The profiles of a station and the files that it sent, beside the station. */
export function graphFiles(
  builder: GraphBuilder,
  { database }: Pick<Services, 'database'>,
  { Station }: { readonly Station: GraphObject<Station> },
): void {
  const Profile = builder.objectRef<StationProfile>('StationProfile')
  const File = builder.objectRef<StationFile>('StationFile')
  const Fault = builder.objectRef<NonNullable<StationFile['fault']>>('CsvFault')
  const State = wordsEnum(builder, 'StationProfileState', profileStates)
  const FaultCode = wordsEnum(builder, 'CsvFaultCode', Object.keys(csvFaultTexts) as (keyof typeof csvFaultTexts)[])
  const ProfileConnection = builder.connectionObject(
    { type: Profile, name: 'StationProfileConnection' },
    { name: 'StationProfileEdge' },
  )
  const FileConnection = builder.connectionObject(
    { type: File, name: 'StationFileConnection' },
    { name: 'StationFileEdge' },
  )
  Profile.implement({
    description: 'How the CSV files of a station are to be read; in effect where a second person confirmed it.',
    fields: (t) => ({
      station: t.exposeString('station'),
      profile: t.exposeInt('profile'),
      state: t.expose('state', { type: State }),
      content: t.expose('content', { type: 'Json' }),
      digest: t.exposeString('digest'),
      changeReason: t.exposeString('changeReason', { nullable: true }),
      createdAt: t.expose('createdAt', { type: 'Instant' }),
      createdBy: t.exposeString('createdBy'),
      confirmedAt: t.expose('confirmedAt', { type: 'Instant', nullable: true }),
      confirmedBy: t.exposeString('confirmedBy', { nullable: true }),
      confirmedMeaning: t.exposeString('confirmedMeaning', { nullable: true }),
      effectiveFrom: t.expose('effectiveFrom', { type: 'Instant', nullable: true }),
      withdrawnAt: t.expose('withdrawnAt', { type: 'Instant', nullable: true }),
      withdrawnBy: t.exposeString('withdrawnBy', { nullable: true }),
      withdrawnReason: t.exposeString('withdrawnReason', { nullable: true }),
    }),
  })
  Fault.implement({
    description: 'The first reason why a file was refused whole. The header is row 1; the offset counts bytes from 0.',
    fields: (t) => ({
      code: t.expose('code', { type: FaultCode }),
      row: t.exposeInt('row'),
      column: t.exposeInt('column', { nullable: true }),
      header: t.exposeString('header', { nullable: true }),
      offset: t.exposeInt('offset'),
      detail: t.exposeString('detail'),
    }),
  })
  File.implement({
    description: 'A file that a station sent: taken, each row an upload, or refused whole.',
    fields: (t) => ({
      fileId: t.exposeString('fileId', {
        description: 'Of a file that was taken also the id of the batch of its rows.',
      }),
      site: t.exposeString('site'),
      station: t.exposeString('station'),
      sender: t.exposeString('sender'),
      receivedAt: t.expose('receivedAt', { type: 'Instant' }),
      digest: t.exposeString('digest'),
      length: t.exposeInt('length'),
      profile: t.exposeInt('profile', { nullable: true }),
      profileDigest: t.exposeString('profileDigest', { nullable: true }),
      rows: t.exposeInt('rows', { nullable: true }),
      fault: t.field({ type: Fault, nullable: true, resolve: ({ fault }) => fault }),
    }),
  })
  builder.objectField(Station, 'profiles', (t) =>
    t.loadable({
      type: ProfileConnection,
      byPath: true,
      args: pageArgs(builder),
      description: 'Ascending.',
      load: (stations: string[], _context, args) =>
        readConnections(stations, args, profilesOf, async (asked, { after = 0, limit }) =>
          grouped(asked, await readProfilesOf(database.sql, asked, { after, limit }), ({ station }) => station),
        ),
      resolve: ({ station }) => station,
    }),
  )
  builder.objectField(Station, 'files', (t) =>
    t.loadable({
      type: FileConnection,
      byPath: true,
      args: pageArgs(builder),
      description: 'The latest first.',
      load: (stations: string[], _context, args) =>
        readConnections(stations, args, filesOf, async (asked, page) =>
          grouped(asked, await readFilesOf(database.sql, asked, page), ({ station }) => station),
        ),
      resolve: ({ station }) => station,
    }),
  )
}
