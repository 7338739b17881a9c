import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import {
  makePage,
  PageWire,
  pageQuery,
  readPage,
  refusals,
  sendCreated,
  sendList,
  sendPage,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { DatedPlaceWire, datedPlace } from '../stations/reads-places.ts'
import { assessStudy, cancelStudy, createStudy } from './acts.ts'
import { getStudy, listFindings, listStudies } from './reads.ts'
import { FindingPlaceWire, findingPlace } from './reads-places.ts'
import { AssessmentDraftWire, StudyDraftWire, StudyFindingWire, StudyWire } from './words.ts'

const StudyParams = z.strictObject({ study: KeyWire })
const StudyPage = PageWire(StudyWire.omit({ counts: true })).meta({ id: 'StudyPage' })
const tags = ['studies']

export function registerStudies(app: RestApp, { database }: Services): void {
  app.post(
    '/v1/studies',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createStudy',
        tags,
        summary:
          'Ask which stored runs would be affected: by another revision, by an error found at calibration, by an edition',
        description:
          'Answered in the background over accepted production runs received until now. No verdict is rewritten: a finding ' +
          'says what a run would be. Records only; whether equipment may be used or sold is for local codes and licensed practice.',
        body: StudyDraftWire,
        response: { 201: StudyWire, ...refusals('already-exists', 'reference-unknown') },
      },
    },
    async (request, reply) => {
      const study = await createStudy(database, request.person, request.body)
      return sendCreated(reply, ['studies', study.study], study)
    },
  )
  app.get(
    '/v1/studies',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listStudies',
        tags,
        summary: 'Studies, the one asked for last first; what each counted is told by the study itself',
        querystring: z.strictObject(pageQuery),
        response: { 200: StudyPage },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'studies',
        place: DatedPlaceWire,
        placeOf: ({ askedAt, study }) => datedPlace(askedAt, study),
        read: (page) => listStudies(database.sql, page),
      }),
  )
  app.get(
    '/v1/studies/:study',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getStudy',
        tags,
        summary: 'How far a study came, and what it found by site, product and ship state',
        params: StudyParams,
        response: { 200: StudyWire, ...refusals('study-not-found') },
      },
    },
    (request) => getStudy(database.sql, request.params.study),
  )
  app.get(
    '/v1/studies/:study/findings',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listStudyFindings',
        tags,
        summary: 'The runs that a study found, that furthest beyond its limit first',
        description:
          'While a study runs, findings are added anywhere in this order; read the list again once it is done.',
        params: StudyParams,
        querystring: z.strictObject(pageQuery),
        response: { 200: PageWire(StudyFindingWire), ...refusals('study-not-found', 'cursor-invalid') },
      },
    },
    async (request, reply) => {
      const { study } = request.params
      const name = `studies/${study}/findings`
      const asked = readPage(name, request.query, FindingPlaceWire)
      const rows = await listFindings(database.sql, study, asked)
      const page = makePage(name, rows, asked.limit, findingPlace)
      return sendPage(request, reply, { ...page, items: page.items.map(({ finding }) => finding) })
    },
  )
  app.post(
    '/v1/studies/:study/cancellation',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'cancelStudy',
        tags,
        summary: 'End a study that still goes on; what it found stays',
        params: StudyParams,
        response: { 200: StudyWire, ...refusals('study-not-found', 'already-ended') },
      },
    },
    (request) => cancelStudy(database, request.person, request.params.study),
  )
  app.post(
    '/v1/studies/:study/assessment',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'assessStudy',
        tags,
        summary: 'Sign what is concluded from the findings; that closes the study',
        params: StudyParams,
        body: AssessmentDraftWire,
        response: {
          200: StudyWire,
          ...refusals('study-not-found', 'state-conflict', 'digest-stale', 'already-exists'),
        },
      },
    },
    (request) => assessStudy(database, request.person, request.params.study, request.body),
  )
}
