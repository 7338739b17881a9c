import type { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import type { Database } from '../platform/database/pool.ts'
import { type GraphBuilder, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  grouped,
  inOrder,
  type Listing,
  orNull,
  readConnection,
  readConnections,
} from '../platform/http/graphql/connections.ts'
import { stepKinds } from '../rules/words.ts'
import { getInstrument, listCalibrations, listInstruments } from './reads.ts'
import { readCalibrationsOf, readInstruments } from './reads-many.ts'
import { DatedPlaceWire, datedPlace } from './reads-places.ts'
import type { CalibrationAnswer, Instrument } from './words.ts'

type Capabilities = Instrument['capabilities']
type Kind = Capabilities['kinds'][number]

const instrumentsListing: Listing<Instrument, string> = {
  name: 'instruments',
  place: KeyWire,
  placeOf: ({ instrument }) => instrument,
}
const calibrationsListing: Listing<CalibrationAnswer, z.infer<typeof DatedPlaceWire>> = {
  name: 'calibrations',
  place: DatedPlaceWire,
  placeOf: ({ performedAt, calibration }) => datedPlace(performedAt, calibration),
}

/** Instruments, what they can do, and their calibrations. */
export function graphInstruments(builder: GraphBuilder, { sql }: Database) {
  const Instrument = builder.objectRef<Instrument>('Instrument')
  const Capabilities = builder.objectRef<Capabilities>('InstrumentCapabilities')
  const Programs = builder.objectRef<NonNullable<Capabilities['programs']>>('InstrumentPrograms')
  const Capability = builder.objectRef<Kind>('InstrumentCapability')
  const Range = builder.objectRef<NonNullable<Kind['range']>>('InstrumentRange')
  const Calibration = builder.objectRef<CalibrationAnswer>('Calibration')
  const AsFound = builder.objectRef<CalibrationAnswer['asFound'][number]>('AsFound')
  const Uncertainty = builder.objectRef<CalibrationAnswer['uncertainty'][number]>('Uncertainty')
  const Stated = builder.objectRef<{ readonly value: string; readonly unit: string }>('StatedQuantity')
  const StepKind = wordsEnum(builder, 'StepKind', stepKinds)
  const InstrumentConnection = builder.connectionObject(
    { type: Instrument, name: 'InstrumentConnection' },
    { name: 'InstrumentEdge' },
  )
  const CalibrationConnection = builder.connectionObject(
    { type: Calibration, name: 'CalibrationConnection' },
    { name: 'CalibrationEdge' },
  )
  const loadInstruments = async (keys: string[]) =>
    inOrder(keys, await readInstruments(sql, keys), ({ instrument }) => instrument)

  Programs.implement({
    fields: (t) => ({ count: t.exposeInt('count'), stepsEach: t.exposeInt('stepsEach') }),
  })
  Range.implement({
    description:
      'Of a capability in the unit of the stress: volts, or amperes for a bond; of an uncertainty in that of the reading.',
    fields: (t) => ({
      least: t.expose('least', { type: 'Decimal', nullable: true }),
      most: t.expose('most', { type: 'Decimal', nullable: true }),
      unit: t.exposeString('unit'),
    }),
  })
  Capability.implement({
    fields: (t) => ({
      kind: t.expose('kind', { type: StepKind }),
      range: t.field({ type: Range, nullable: true, resolve: ({ range }) => range ?? null }),
      accuracy: t.field({
        type: Stated,
        nullable: true,
        description: 'How far the stress may be from what is set, either way, as a share of it.',
        resolve: ({ accuracy }) => accuracy ?? null,
      }),
    }),
  })
  Capabilities.implement({
    description: 'What an instrument can do.',
    fields: (t) => ({
      programs: t.field({
        type: Programs,
        nullable: true,
        description: 'Null where settings come with each test.',
        resolve: ({ programs }) => programs,
      }),
      kinds: t.field({ type: [Capability], resolve: ({ kinds }) => kinds }),
    }),
  })
  Instrument.implement({
    description: 'The tester at a station.',
    fields: (t) => ({
      instrument: t.exposeString('instrument'),
      name: t.exposeString('name'),
      capabilities: t.field({ type: Capabilities, resolve: ({ capabilities }) => capabilities }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
      calibrations: t.loadable({
        type: CalibrationConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'In the order in which they were performed.',
        load: (instruments: string[], _context, args) =>
          readConnections(
            instruments,
            args,
            (instrument) => ({ ...calibrationsListing, name: `calibrations/${instrument}` }),
            async (asked, page) =>
              grouped(asked, await readCalibrationsOf(sql, asked, page), ({ instrument }) => instrument),
          ),
        resolve: ({ instrument }) => instrument,
      }),
    }),
  })
  Stated.implement({
    fields: (t) => ({ value: t.expose('value', { type: 'Decimal' }), unit: t.exposeString('unit') }),
  })
  Uncertainty.implement({
    description:
      'Expanded uncertainty of readings: `expanded` plus `relative` times the reading, within `range` of it.',
    fields: (t) => ({
      kind: t.expose('kind', { type: StepKind }),
      range: t.field({ type: Range, nullable: true, resolve: ({ range }) => range ?? null }),
      expanded: t.field({ type: Stated, nullable: true, resolve: ({ expanded }) => expanded ?? null }),
      relative: t.field({ type: Stated, nullable: true, resolve: ({ relative }) => relative ?? null }),
      coverageFactor: t.field({
        type: 'Decimal',
        nullable: true,
        resolve: ({ coverageFactor }) => coverageFactor ?? null,
      }),
    }),
  })
  AsFound.implement({
    description: 'The error before adjustment, shown minus true, of readings within `range`.',
    fields: (t) => ({
      kind: t.expose('kind', { type: StepKind }),
      range: t.field({ type: Range, nullable: true, resolve: ({ range }) => range ?? null }),
      error: t.expose('error', { type: Stated }),
      toleranceMet: t.exposeBoolean('toleranceMet'),
    }),
  })
  Calibration.implement({
    description: 'A calibration of an instrument.',
    fields: (t) => ({
      calibration: t.exposeString('calibration'),
      instrument: t.exposeString('instrument'),
      instrumentDetails: t.loadable({
        type: Instrument,
        nullable: true,
        load: loadInstruments,
        resolve: ({ instrument }) => instrument,
      }),
      performedAt: t.expose('performedAt', { type: 'Instant' }),
      dueOn: t.exposeString('dueOn', {
        description: 'It holds to the end of this day in the time zone of the site where the instrument stands.',
      }),
      uncertainty: t.field({ type: [Uncertainty], resolve: ({ uncertainty }) => uncertainty }),
      asFound: t.field({ type: [AsFound], resolve: ({ asFound }) => asFound }),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
    }),
  })
  builder.queryFields((t) => ({
    instruments: t.field({
      type: InstrumentConnection,
      args: pageArgs(builder),
      resolve: (_root, args) => readConnection(args, instrumentsListing, (page) => listInstruments(sql, page)),
    }),
    instrument: t.field({
      type: Instrument,
      nullable: true,
      args: { instrument: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { instrument }) => orNull(getInstrument(sql, instrument)),
    }),
    calibrations: t.field({
      type: CalibrationConnection,
      args: { ...pageArgs(builder), instrument: t.arg({ type: 'Key' }) },
      resolve: (_root, { instrument, ...args }) =>
        readConnection(args, calibrationsListing, (page) => listCalibrations(sql, page, instrument ?? undefined)),
    }),
  }))
  return { Instrument, loadInstruments, StepKind }
}
