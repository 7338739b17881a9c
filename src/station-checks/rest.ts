import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import {
  NumberParam,
  PageWire,
  PlaceNumber,
  pageQuery,
  refusals,
  sendCreated,
  sendList,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { DatedPlaceWire, datedPlace } from '../stations/reads-places.ts'
import { recordStationCheck } from './acts.ts'
import {
  confirmCheckPlan,
  confirmReferenceUnit,
  createCheckPlan,
  createReferenceUnit,
  withdrawReferenceUnit,
} from './acts-governance.ts'
import {
  getCheckPlan,
  getReferenceUnit,
  getStationCheck,
  listCheckPlans,
  listReferenceUnits,
  listStationChecks,
} from './reads.ts'
import {
  CheckConfirmationWire,
  CheckPlanConfirmationDraftWire,
  CheckPlanDraftWire,
  CheckPlanWire,
  ReferenceUnitDraftWire,
  ReferenceUnitWire,
  ReferenceUnitWithdrawalWire,
  StationCheckDraftWire,
  StationCheckWire,
} from './words.ts'

const tags = ['station-checks']
const UnitParams = z.strictObject({ referenceUnit: KeyWire })
const StationParams = z.strictObject({ station: KeyWire })
const PlanParams = z.strictObject({ station: KeyWire, checkPlan: NumberParam })
const CheckParams = z.strictObject({ stationCheck: KeyWire })
const PageQuery = z.strictObject({ ...pageQuery })

export function registerStationChecks(app: RestApp, services: Services): void {
  registerReferenceUnits(app, services)
  registerCheckPlans(app, services)
  registerChecks(app, services)
}

function registerReferenceUnits(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/reference-units',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createReferenceUnit',
        tags,
        summary: 'Describe a unit of which it is known what a tester must say of it',
        description: 'It counts once a second person has confirmed it.',
        body: ReferenceUnitDraftWire,
        response: { 201: ReferenceUnitWire, ...refusals('already-exists') },
      },
    },
    async (request, reply) => {
      const unit = await createReferenceUnit(database, request.person, request.body)
      return sendCreated(reply, ['reference-units', unit.referenceUnit], unit)
    },
  )
  app.get(
    '/v1/reference-units',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listReferenceUnits',
        tags,
        summary: 'Reference units in order of their keys',
        querystring: PageQuery,
        response: { 200: PageWire(ReferenceUnitWire).meta({ id: 'ReferenceUnitPage' }), ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'reference-units',
        place: KeyWire,
        placeOf: ({ referenceUnit }) => referenceUnit,
        read: (page) => listReferenceUnits(database.sql, page),
      }),
  )
  app.get(
    '/v1/reference-units/:referenceUnit',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getReferenceUnit',
        tags,
        summary: 'One reference unit',
        params: UnitParams,
        response: { 200: ReferenceUnitWire, ...refusals('reference-unit-not-found') },
      },
    },
    (request) => getReferenceUnit(database.sql, request.params.referenceUnit),
  )
  app.post(
    '/v1/reference-units/:referenceUnit/confirmation',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'confirmReferenceUnit',
        tags,
        summary: 'Confirm what a reference unit shows, as the second person',
        params: UnitParams,
        body: CheckConfirmationWire,
        response: {
          200: ReferenceUnitWire,
          ...refusals('reference-unit-not-found', 'state-conflict', 'digest-stale', 'two-people-required'),
        },
      },
    },
    (request) => confirmReferenceUnit(database, request.person, request.params.referenceUnit, request.body),
  )
  app.post(
    '/v1/reference-units/:referenceUnit/withdrawal',
    {
      config: { permission: 'stop' },
      schema: {
        operationId: 'withdrawReferenceUnit',
        tags,
        summary: 'Take a reference unit out of use; checks made with it before stay',
        params: UnitParams,
        body: ReferenceUnitWithdrawalWire,
        response: { 200: ReferenceUnitWire, ...refusals('reference-unit-not-found', 'already-ended') },
      },
    },
    (request) => withdrawReferenceUnit(database, request.person, request.params.referenceUnit, request.body),
  )
}

function registerCheckPlans(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/stations/:station/check-plans',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createCheckPlan',
        tags,
        summary: 'Say what is to be checked at a station, and for how long a good check holds',
        description: 'It is asked for once a second person has confirmed it, in place of the one before.',
        params: StationParams,
        body: CheckPlanDraftWire,
        response: { 201: CheckPlanWire, ...refusals('station-not-found', 'number-not-higher') },
      },
    },
    async (request, reply) => {
      const plan = await createCheckPlan(database, request.person, request.params.station, request.body)
      return sendCreated(reply, ['stations', plan.station, 'check-plans', String(plan.checkPlan)], plan)
    },
  )
  app.get(
    '/v1/stations/:station/check-plans',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listCheckPlans',
        tags,
        summary: 'The check plans of a station in order of their numbers',
        params: StationParams,
        querystring: PageQuery,
        response: {
          200: PageWire(CheckPlanWire).meta({ id: 'CheckPlanPage' }),
          ...refusals('station-not-found', 'cursor-invalid'),
        },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `check-plans/${request.params.station}`,
        place: PlaceNumber,
        placeOf: ({ checkPlan }) => checkPlan,
        read: (page) => listCheckPlans(database.sql, page, request.params.station),
      }),
  )
  app.get(
    '/v1/stations/:station/check-plans/:checkPlan',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getCheckPlan',
        tags,
        summary: 'One check plan',
        params: PlanParams,
        response: { 200: CheckPlanWire, ...refusals('check-plan-not-found') },
      },
    },
    (request) => getCheckPlan(database.sql, request.params),
  )
  app.post(
    '/v1/stations/:station/check-plans/:checkPlan/confirmation',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'confirmCheckPlan',
        tags,
        summary:
          'Confirm a check plan as the second person: from its instant on, runs of these kinds need a good check',
        params: PlanParams,
        body: CheckPlanConfirmationDraftWire,
        response: {
          200: CheckPlanWire,
          ...refusals(
            'check-plan-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'effective-instant-passed',
          ),
        },
      },
    },
    (request) => confirmCheckPlan(database, request.person, request.params, request.body),
  )
}

function registerChecks(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/station-checks',
    {
      config: { permission: 'program' },
      schema: {
        operationId: 'recordStationCheck',
        tags,
        summary: 'Record what reference units showed at a station',
        description:
          'Good for a kind where a known-pass passed and a known-fail failed. A failed check locks the station for the kind ' +
          'until a good one, and puts in doubt what was tested there since the last good one: `/affected` lists it. ' +
          'Dummy faults are energised like any unit: keep to the usual high-voltage precautions; local codes and licensed ' +
          'practice govern.',
        body: StationCheckDraftWire,
        response: {
          201: StationCheckWire,
          ...refusals('reference-unknown', 'instrument-not-at-station', 'already-exists', 'instant-in-future'),
        },
      },
    },
    async (request, reply) => {
      const check = await recordStationCheck(database, request.person, request.body)
      return sendCreated(reply, ['station-checks', check.stationCheck], check)
    },
  )
  app.get(
    '/v1/station-checks',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listStationChecks',
        tags,
        summary: 'Station checks in the order in which they were made, of one station where it is named',
        querystring: z.strictObject({ ...pageQuery, station: KeyWire.optional() }),
        response: { 200: PageWire(StationCheckWire).meta({ id: 'StationCheckPage' }), ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'station-checks',
        place: DatedPlaceWire,
        placeOf: ({ at, stationCheck }) => datedPlace(at, stationCheck),
        read: (page) => listStationChecks(database.sql, page, request.query.station),
      }),
  )
  app.get(
    '/v1/station-checks/:stationCheck',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getStationCheck',
        tags,
        summary: 'One station check',
        params: CheckParams,
        response: { 200: StationCheckWire, ...refusals('station-check-not-found') },
      },
    },
    (request) => getStationCheck(database.sql, request.params.stationCheck),
  )
}
