import { expect } from 'vitest'
import { studyPage } from '../../src/studies/acts-step.ts'
import type { StudyFinding } from '../../src/studies/words.ts'
import { created, expected } from '../support/service.ts'
import type { StudyCase } from './case.ts'
import type { House } from './http.ts'
import { type Happening, INSTRUMENT, type Scene, STATION } from './scene.ts'
import { compareStudy } from './studies-scene.ts'

/** Other testers that stand at the line for a while, and their calibrations, each recorded at its time. */
export function instrumentHappenings(
  { service: { administrator }, author }: House,
  scene: Scene,
): Happening<() => Promise<void>>[] {
  const iso = (time: string) => new Date(scene.at(time)).toISOString()
  const stand = (instrument: string, time: string) => ({
    at: scene.at(time),
    act: async () => {
      created(await administrator.post(`/v1/stations/${STATION}/instruments`, { instrument, from: iso(time) }))
    },
  })
  return scene.given.instruments.flatMap(({ instrument, from, until, calibrations }) => [
    {
      at: scene.at('04:00'),
      act: async () => {
        const { capabilities } = expected(await author.get(`/v1/instruments/${INSTRUMENT}`), 200).body
        created(
          await administrator.post('/v1/instruments', { instrument, name: 'Tester lent to the line', capabilities }),
        )
      },
    },
    stand(instrument, from),
    stand(INSTRUMENT, until),
    ...calibrations.map(({ calibration, performedAt, asFound }) => ({
      at: scene.at(performedAt),
      act: async () => {
        const body = { calibration, instrument, performedAt: iso(performedAt), dueOn: '2026-12-31', asFound }
        created(await administrator.post('/v1/calibrations', body))
      },
    })),
  ])
}

async function askedOf(author: House['author'], scene: Scene, question: StudyCase['question']): Promise<unknown> {
  switch (question.kind) {
    case 'calibration-error':
      return question
    case 'revision-change':
      return { ...question, plan: scene.plan, testedFrom: new Date(scene.at(question.testedFrom)).toISOString() }
    case 'edition-change': {
      const path = `/v1/rule-tables/${question.table}/editions/${question.edition}`
      return { ...question, digest: expected(await author.get(path), 200).body.digest }
    }
  }
}

/** Asks, lets the job work until it has nothing left, and reads all findings, a page of two at a time. */
export async function studyHttp(
  { service, author }: House,
  scene: Scene,
  given: StudyCase,
  runIds: ReadonlyMap<string, string>,
): Promise<void> {
  const { question } = given
  const asked = await askedOf(author, scene, question)
  const { study } = created(await author.post('/v1/studies', { study: given.study, question: asked })).body
  while ((await studyPage(service.database)) === 'more') {}
  const path = `/v1/studies/${study}`
  expect(expected(await author.get(path), 200).body).toMatchObject({ state: 'done', found: given.findings.length })
  const names = new Map([...runIds].map(([name, runId]) => [runId, name]))
  const findings: StudyFinding[] = []
  let cursor: string | null = null
  do {
    const page: string = cursor === null ? '' : `&cursor=${cursor}`
    const { items, nextCursor } = expected(await author.get(`${path}/findings?limit=2${page}`), 200).body
    findings.push(...items)
    cursor = nextCursor
  } while (cursor !== null)
  compareStudy(
    given,
    findings.map((one) => ({ ...one, of: names.get(one.runId) })),
  )
}
