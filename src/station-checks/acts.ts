import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import { fieldInvalid, Problem, unknownReference } from '../platform/problems.ts'
import { unlessTaken } from '../stations/acts.ts'
import { readDated } from '../stations/dated.ts'
import { getInstrument, getStation, stoodAt } from '../stations/reads.ts'
import type { CheckResult } from '../stations/station-check.ts'
import { type ReferenceUnitRow, type StationCheckRow, unitContent, writeStationCheck } from './record.ts'
import { insertStationCheck, selectReferenceUnitsNamed } from './store.ts'
import type { StationCheckAnswer, StationCheckDraft } from './words.ts'

/**
 * Records what reference units showed at a station. What each was known to show is put beside it here, so it cannot be
 * said otherwise later. From its own instant on it opens or closes a bracket, or locks the station for a kind.
 * @throws Problem `reference-unknown`, `instrument-not-at-station`, `already-exists`, `instant-in-future`, `field-invalid`
 */
export async function recordStationCheck(
  database: Database,
  actor: PersonActor,
  draft: StationCheckDraft,
): Promise<StationCheckAnswer> {
  const asked = readDated(draft.at, '/at')
  return runActOf(database, actor, async (act) => {
    const at = act.datedAt(asked, '/at')
    const { site } = await named(getStation(act.sql, draft.station), '/station')
    await named(getInstrument(act.sql, draft.instrument), '/instrument')
    if (!(await stoodAt(act.sql, draft, at))) {
      const detail = `Instrument ${draft.instrument} did not stand at station ${draft.station} at that instant.`
      const errors = [{ pointer: '/instrument', code: 'instrument-not-at-station', detail }]
      throw new Problem('instrument-not-at-station', { detail, errors })
    }
    const units = await selectReferenceUnitsNamed(act.sql, [
      ...new Set(draft.results.map(({ referenceUnit }) => referenceUnit)),
    ])
    const results = draft.results.map((result, index) => withExpected(result, { units, at, index }))
    const row: StationCheckRow = {
      stationCheck: draft.stationCheck,
      station: draft.station,
      instrument: draft.instrument,
      at,
      results,
      recordedAt: act.at,
      recordedBy: actor.person,
    }
    await unlessTaken(insertStationCheck(act, row), `Station check ${draft.stationCheck} exists.`)
    act.touch('station', draft.station, [site])
    const answer = writeStationCheck(row)
    await recordEntry(act, {
      action: 'recordStationCheck',
      by: actor.person,
      subject: `station-checks/${draft.stationCheck}`,
      facts: { station: draft.station, instrument: draft.instrument, at: writeInstant(at), says: answer.says },
    })
    return answer
  })
}

/** A result with what its unit is known to show; the unit must have counted when the check was made. */
function withExpected(
  { referenceUnit, kind, found }: StationCheckDraft['results'][number],
  { units, at, index }: { readonly units: readonly ReferenceUnitRow[]; readonly at: number; readonly index: number },
): CheckResult {
  const pointer = `/results/${index}/referenceUnit`
  const unit = units.find((one) => one.referenceUnit === referenceUnit)
  if (unit === undefined) throw unknownReference(pointer, `There is no reference unit ${referenceUnit}.`)
  if (unit.confirmedAt === null || unit.confirmedAt > at) {
    throw fieldInvalid(pointer, `must be a unit that a second person had confirmed; ${referenceUnit} was not`)
  }
  if (unit.withdrawnAt !== null && unit.withdrawnAt <= at) {
    throw fieldInvalid(pointer, `must be a unit in use; ${referenceUnit} was withdrawn`)
  }
  const shown = unitContent(unit).shows.find((one) => one.kind === kind)
  if (shown === undefined) {
    throw fieldInvalid(`/results/${index}/kind`, `must be a kind that ${referenceUnit} is known for`)
  }
  return { referenceUnit, kind, expected: shown.expected, found }
}

/** What the body names must be there. */
async function named<Thing>(read: Promise<Thing>, pointer: string): Promise<Thing> {
  try {
    return await read
  } catch (error) {
    if (error instanceof Problem && error.status === 404) throw unknownReference(pointer, error.message)
    throw error
  }
}
