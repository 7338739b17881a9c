import { type Facts, factOf, type StationFact } from '../../src/judging/facts.ts'
import { doubtedWindows } from '../../src/station-checks/affected.ts'
import type { StationCheck } from '../../src/stations/station-check.ts'
import type { FoldedUnit } from '../../src/units/fold.ts'
import { checkResults, compareAffected, type Scene } from './scene.ts'

/** The station of a case with what was told of its checks by an instant. */
export function stationAsKnown(scene: Scene, station: StationFact, now: number): StationFact {
  const { checks } = scene.given
  if (checks === undefined) return station
  const { demand } = checks
  return {
    ...station,
    checks: {
      demands:
        demand === undefined
          ? []
          : [{ effectiveFrom: scene.at(demand.from), kinds: demand.kinds, validFor: demand.hours * 3_600_000 }],
      checks: checksOf(scene).filter(({ recordedAt }) => recordedAt <= now),
    },
  }
}

function checksOf(scene: Scene): StationCheck[] {
  return (scene.given.checks?.made ?? [])
    .map((made, index) => ({
      stationCheck: `SC-${index}`,
      instrument: scene.instrument,
      at: scene.at(made.at),
      recordedAt: scene.at(made.recordedAt ?? made.at),
      results: checkResults(made).map((result) => ({
        ...result,
        expected: result.referenceUnit === 'REF-SOUND' ? ('pass' as const) : ('fail' as const),
      })),
    }))
    .sort((one, other) => one.at - other.at)
}

/** Compares what each check of the case puts in doubt with what it says, by the runs as they stand. */
export function compareAllAffected(
  scene: Scene,
  units: readonly { readonly serial: string; readonly folded: FoldedUnit; readonly facts: Facts }[],
): void {
  const checks = checksOf(scene)
  for (const made of scene.given.checks?.made ?? []) {
    const check = checks.find(({ at }) => at === scene.at(made.at))
    if (made.affected === undefined || check === undefined) continue
    const windows = doubtedWindows(check, checks, [scene.instrument])
    const affected = units.flatMap(({ serial, folded, facts }) =>
      folded.attempts
        .filter(({ attempt }) => attempt.outcome === 'accepted')
        .filter(({ attempt }) => {
          const content = factOf(facts, 'revision', `${attempt.plan}/${attempt.revision}`)?.content
          return windows.some(
            ({ kind, from, until }) =>
              content?.steps.some((step) => step.kind === kind) &&
              attempt.startedAt >= (from ?? Number.NEGATIVE_INFINITY) &&
              attempt.startedAt < (until ?? Number.POSITIVE_INFINITY),
          )
        })
        .map(() => ({ serial, shipState: folded.shipState })),
    )
    compareAffected(made.affected, affected)
  }
}
