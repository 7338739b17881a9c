import { compare, decimal } from '../../src/exact/decimal.ts'
import { type CompiledRevision, compiledRevision } from '../../src/judging/compile.ts'
import type { Decision } from '../../src/judging/decide.ts'
import type { Fact, FactKey, InstrumentFact, StationFact } from '../../src/judging/facts.ts'
import type { Upload } from '../../src/judging/words.ts'
import { type PublishedTable, ruleTimeline } from '../../src/plans/rule-timeline.ts'
import type { PlanContent } from '../../src/plans/words.ts'
import type { ConfirmedVersion } from '../../src/products/versions.ts'
import { errorsInDoubt } from '../../src/studies/record.ts'
import {
  type Rejudged,
  rejudgeByRevision,
  rejudgeCorrected,
  rejudgeTightened,
  type StoredRun,
} from '../../src/studies/rejudge.ts'
import { isUnchanged, screenBetween } from '../../src/studies/screen.ts'
import { tightenedRevision } from '../../src/studies/tighten.ts'
import type { ShipState } from '../../src/units/event-words.ts'
import type { StudyCase } from './case.ts'
import { INSTRUMENT, type Scene, STATION } from './scene.ts'
import { compareStudy } from './studies-scene.ts'

const NOTHING = { uncertainty: [] }

/** A run that a study may ask about. */
export interface KnownRun {
  readonly name: string
  readonly upload: Upload
  readonly decision: Decision
  readonly shipState: ShipState
}

/** Answers a question of a case by the functions that a study judges with. */
export function studyPure(
  scene: Scene,
  given: StudyCase,
  house: {
    readonly runs: readonly KnownRun[]
    readonly contentOf: (revision: number) => PlanContent
    readonly tables: readonly PublishedTable[]
    readonly product: ConfirmedVersion
  },
): void {
  const again = questionOf(scene, given, house)
  const found = house.runs.flatMap(({ name, upload, decision, shipState }) => {
    const { outcome, verdict, judgement } = decision
    if (outcome !== 'accepted' || upload.purpose !== 'production' || verdict === null || judgement === null) return []
    const listed = again({ verdict, steps: judgement.steps }, upload)
    return listed === undefined ? [] : [{ of: name, shipState, verdictBefore: verdict, ...listed }]
  })
  compareStudy(
    given,
    found.toSorted((one, other) => compare(decimal(other.beyond), decimal(one.beyond))),
  )
}

type Again = (run: StoredRun, upload: Upload) => Rejudged | undefined

function questionOf(
  scene: Scene,
  { question, askedAt }: StudyCase,
  { contentOf, tables, product }: Parameters<typeof studyPure>[2],
): Again {
  const compiled = (revision: number, upload: Upload): CompiledRevision => {
    const made = compiledRevision(contentOf(revision), upload.variant ?? '')
    if ('missing' in made) throw new Error(`revision ${revision} has no limit for ${upload.variant}`)
    return made
  }
  if (question.kind === 'revision-change') {
    const [from, until] = [scene.at(question.testedFrom), scene.at(askedAt)]
    return (run, upload) => {
      if (upload.revision !== question.from || upload.startedAt < from || upload.startedAt >= until) return undefined
      const to = compiled(question.to, upload)
      const listed = rejudgeByRevision(run, upload, { to, instrument: NOTHING })
      const screen = screenBetween(compiled(question.from, upload), to)
      if (listed !== undefined && screen !== null && isUnchanged(screen, run)) throw new Error('the screen lost a run')
      return listed
    }
  }
  if (question.kind === 'edition-change') {
    const alone = tables.filter(({ table, edition }) => table === question.table && edition === question.edition)
    const timeline = ruleTimeline(alone, Number.POSITIVE_INFINITY)
    const inEffect = Number.POSITIVE_INFINITY
    return (run, upload) => {
      const own = compiled(upload.revision, upload)
      const { variant } = own
      const to = tightenedRevision(contentOf(upload.revision), own, (subject, step) =>
        timeline.inEffectAt(inEffect, product).requirements({ subject, version: product, variant, step }),
      )
      return to && rejudgeTightened(run, upload, { own, to, instrument: NOTHING })
    }
  }
  const calibrations = scene.given.instruments.flatMap(({ instrument, calibrations }) =>
    calibrations.map((one) => ({
      ...one,
      instrument,
      performedAt: new Date(scene.at(one.performedAt)).toISOString(),
    })),
  )
  const calibration = calibrations.find((one) => one.calibration === question.calibration)
  if (calibration === undefined) throw new Error(`there is no calibration ${question.calibration}`)
  const { instrument, performedAt } = calibration
  const errors = errorsInDoubt(
    calibration,
    calibrations.filter((one) => one.instrument === instrument && one.performedAt < performedAt),
  )
  return (run, upload) => {
    if (upload.instrument !== instrument || upload.startedAt >= Date.parse(performedAt)) return undefined
    const asFound = errors.filter(({ since }) => upload.startedAt >= since).map((one) => one.asFound)
    return rejudgeCorrected(run, upload, { revision: compiled(upload.revision, upload), instrument: NOTHING, asFound })
  }
}

/** The facts of a line where other testers stand for a while. */
export function withInstruments(
  scene: Scene,
  facts: ReadonlyMap<FactKey, Fact | null>,
): ReadonlyMap<FactKey, Fact | null> {
  if (scene.given.instruments.length === 0) return facts
  const station = facts.get(`station/${STATION}`) as StationFact
  const usual = facts.get(`instrument/${INSTRUMENT}`) as InstrumentFact
  const recordedAt = scene.at('04:00')
  const assignments = [
    ...station.assignments,
    ...scene.given.instruments.flatMap(({ instrument, from, until }) => [
      { station: STATION, instrument, from: scene.at(from), until: null, recordedAt },
      { station: STATION, instrument: INSTRUMENT, from: scene.at(until), until: null, recordedAt },
    ]),
  ]
  const of = (instrument: string) => assignments.filter((one) => one.instrument === instrument)
  return new Map<FactKey, Fact | null>([
    ...facts,
    [`station/${STATION}`, { ...station, assignments }],
    [`instrument/${INSTRUMENT}`, { ...usual, assignments: of(INSTRUMENT) }],
    ...scene.given.instruments.map(({ instrument, calibrations }): [FactKey, Fact] => [
      `instrument/${instrument}`,
      {
        ...usual,
        instrument,
        assignments: of(instrument),
        calibrations: calibrations.map(({ calibration, performedAt }) => {
          const at = scene.at(performedAt)
          return { calibration, instrument, performedAt: at, dueOn: '2026-12-31', uncertainty: [], recordedAt: at }
        }),
      },
    ]),
  ])
}
