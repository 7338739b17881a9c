import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { PageWire, pageQuery, refusals, sendCreated, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { assignInstrument, createInstrument, recordCalibration } from './acts.ts'
import { endProgramming, recordProgramming } from './acts-programming.ts'
import {
  getCalibration,
  getInstrument,
  getProgramming,
  listCalibrations,
  listInstrumentAssignments,
  listInstruments,
  listProgrammings,
} from './reads.ts'
import { DatedPlaceWire, datedPlace } from './reads-places.ts'
import {
  CalibrationDraftWire,
  CalibrationWire,
  InstrumentAssignmentDraftWire,
  InstrumentAssignmentWire,
  InstrumentDraftWire,
  InstrumentWire,
  ProgrammingDraftWire,
  ProgrammingEndingDraftWire,
  ProgrammingWire,
} from './words.ts'

const tags = ['stations']
const CalibrationPage = PageWire(CalibrationWire).meta({ id: 'CalibrationPage' })
const InstrumentPage = PageWire(InstrumentWire).meta({ id: 'InstrumentPage' })
const InstrumentAssignmentPage = PageWire(InstrumentAssignmentWire).meta({ id: 'InstrumentAssignmentPage' })
const ProgrammingPage = PageWire(ProgrammingWire).meta({ id: 'ProgrammingPage' })
const PageQuery = z.strictObject({ ...pageQuery })
const StationParams = z.strictObject({ station: KeyWire })
const InstrumentParams = z.strictObject({ instrument: KeyWire })
const CalibrationParams = z.strictObject({ calibration: KeyWire })
const ProgrammingParams = z.strictObject({ programming: KeyWire })

/** Instruments, where they stand, and their calibrations. */
export function registerInstruments(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/instruments',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'createInstrument',
        tags,
        summary: 'Add an instrument and what it can do',
        body: InstrumentDraftWire,
        response: { 201: InstrumentWire, ...refusals('already-exists') },
      },
    },
    async (request, reply) => {
      const instrument = await createInstrument(database, request.person, request.body)
      return sendCreated(reply, ['instruments', instrument.instrument], instrument)
    },
  )

  app.get(
    '/v1/instruments',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listInstruments',
        tags,
        summary: 'All instruments, in order of their keys',
        querystring: PageQuery,
        response: { 200: InstrumentPage, ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'instruments',
        place: KeyWire,
        placeOf: ({ instrument }) => instrument,
        read: (page) => listInstruments(database.sql, page),
      }),
  )

  app.get(
    '/v1/instruments/:instrument',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getInstrument',
        tags,
        summary: 'One instrument',
        params: InstrumentParams,
        response: { 200: InstrumentWire, ...refusals('instrument-not-found') },
      },
    },
    (request) => getInstrument(database.sql, request.params.instrument),
  )

  app.post(
    '/v1/stations/:station/instruments',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'assignInstrument',
        tags,
        summary: 'Say which instrument stands at a station, from an instant on',
        description: 'It ends what stood there, and the stay of the instrument elsewhere.',
        params: StationParams,
        body: InstrumentAssignmentDraftWire,
        response: {
          201: InstrumentAssignmentWire,
          ...refusals('station-not-found', 'reference-unknown', 'already-exists', 'instant-in-future'),
        },
      },
    },
    async (request, reply) => {
      const { station } = request.params
      const assignment = await assignInstrument(database, request.person, station, request.body)
      return sendCreated(reply, ['stations', station, 'instruments'], assignment)
    },
  )

  app.get(
    '/v1/stations/:station/instruments',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listInstrumentAssignments',
        tags,
        summary: 'The instruments assigned to a station, in order of the instant from which they were',
        params: StationParams,
        querystring: PageQuery,
        response: { 200: InstrumentAssignmentPage, ...refusals('station-not-found', 'cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `instruments/${request.params.station}`,
        place: DatedPlaceWire,
        placeOf: ({ from, instrument }) => datedPlace(from, instrument),
        read: (page) => listInstrumentAssignments(database.sql, page, request.params.station),
      }),
  )

  app.post(
    '/v1/calibrations',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'recordCalibration',
        tags,
        summary: 'Record a calibration of an instrument',
        body: CalibrationDraftWire,
        response: { 201: CalibrationWire, ...refusals('already-exists', 'reference-unknown', 'instant-in-future') },
      },
    },
    async (request, reply) => {
      const calibration = await recordCalibration(database, request.person, request.body)
      return sendCreated(reply, ['calibrations', calibration.calibration], calibration)
    },
  )

  app.get(
    '/v1/calibrations',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listCalibrations',
        tags,
        summary: 'Calibrations in the order in which they were performed, of one instrument where it is named',
        querystring: z.strictObject({ ...pageQuery, instrument: KeyWire.optional() }),
        response: { 200: CalibrationPage, ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'calibrations',
        place: DatedPlaceWire,
        placeOf: ({ performedAt, calibration }) => datedPlace(performedAt, calibration),
        read: (page) => listCalibrations(database.sql, page, request.query.instrument),
      }),
  )

  app.get(
    '/v1/calibrations/:calibration',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getCalibration',
        tags,
        summary: 'One calibration',
        params: CalibrationParams,
        response: { 200: CalibrationWire, ...refusals('calibration-not-found') },
      },
    },
    (request) => getCalibration(database.sql, request.params.calibration),
  )
}

/** What was keyed into instruments, and read back. */
export function registerProgrammings(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/programmings',
    {
      config: { permission: 'program' },
      schema: {
        operationId: 'recordProgramming',
        tags,
        summary: 'Record that a setup sheet was keyed into an instrument and read back by another person',
        body: ProgrammingDraftWire,
        response: {
          201: ProgrammingWire,
          ...refusals(
            'two-people-required',
            'already-exists',
            'digest-stale',
            'revision-not-current',
            'instrument-not-at-station',
            'instrument-not-capable',
            'reference-unknown',
            'instant-in-future',
          ),
        },
      },
    },
    async (request, reply) => {
      const programming = await recordProgramming(database, request.person, request.body)
      return sendCreated(reply, ['programmings', programming.programming], programming)
    },
  )

  app.get(
    '/v1/programmings',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listProgrammings',
        tags,
        summary: 'Programmings in the order in which they were made, of one station or instrument where it is named',
        querystring: z.strictObject({ ...pageQuery, station: KeyWire.optional(), instrument: KeyWire.optional() }),
        response: { 200: ProgrammingPage, ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'programmings',
        place: DatedPlaceWire,
        placeOf: ({ at, programming }) => datedPlace(at, programming),
        read: (page) => listProgrammings(database.sql, page, request.query),
      }),
  )

  app.get(
    '/v1/programmings/:programming',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getProgramming',
        tags,
        summary: 'One programming',
        params: ProgrammingParams,
        response: { 200: ProgrammingWire, ...refusals('programming-not-found') },
      },
    },
    (request) => getProgramming(database.sql, request.params.programming),
  )

  app.post(
    '/v1/programmings/:programming/ending',
    {
      config: { permission: 'program' },
      schema: {
        operationId: 'endProgramming',
        tags,
        summary: 'Record that a programming ended: something was changed at the tester',
        params: ProgrammingParams,
        body: ProgrammingEndingDraftWire,
        response: {
          200: ProgrammingWire,
          ...refusals('programming-not-found', 'already-ended', 'instant-in-future'),
        },
      },
    },
    (request) => endProgramming(database, request.person, request.params.programming, request.body),
  )
}
