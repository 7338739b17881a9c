import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import { isTaken } from '../platform/database/transaction.ts'
import type { Act } from '../platform/gate.ts'
import { fieldInvalid, Problem, unknownReference } from '../platform/problems.ts'
import { checkAsFound } from './as-found.ts'
import { checkCapabilities } from './capability.ts'
import { endsBefore, readDated } from './dated.ts'
import {
  storedCapabilities,
  writeCalibration,
  writeInstrument,
  writeInstrumentAssignment,
  writeSite,
  writeStation,
} from './record.ts'
import {
  insertCalibration,
  insertInstrument,
  insertInstrumentAssignment,
  insertSite,
  insertStation,
  selectInstrument,
  selectSite,
  selectStation,
  selectStationsOfInstrument,
} from './store.ts'
import { checkUncertainty } from './uncertainty.ts'
import type {
  CalibrationAnswer,
  CalibrationDraft,
  Instrument,
  InstrumentAssignmentAnswer,
  InstrumentAssignmentDraft,
  InstrumentDraft,
  Site,
  SiteDraft,
  Station,
  StationDraft,
} from './words.ts'

/**
 * Opens a site: it gets its row in the gate, like the house's.
 * @throws Problem `already-exists`, `instant-in-future`, `field-invalid`
 */
export async function createSite(database: Database, actor: PersonActor, draft: SiteDraft): Promise<Site> {
  const asked = readDated(draft.openedAt, '/openedAt')
  // The tables of runs hold months from there on, so a test of an earlier day could not be stored.
  if (asked < 0) throw fieldInvalid('/openedAt', 'must not lie before the year 1970')
  return runActOf(database, actor, async (act) => {
    const openedAt = act.datedAt(asked, '/openedAt')
    const record = { ...draft, openedAt, recordedAt: act.at, recordedBy: actor.person }
    await unlessTaken(insertSite(act, record), `Site ${draft.site} exists.`)
    if (!(await act.openSite(draft.site))) throw new Error(`site ${draft.site} is new, yet the gate has a row of it`)
    act.touch('site', draft.site, [draft.site])
    const site = writeSite(record)
    await recordEntry(act, {
      action: 'createSite',
      by: actor.person,
      subject: `sites/${draft.site}`,
      facts: { timeZone: site.timeZone, openedAt: site.openedAt },
    })
    return site
  })
}

/** @throws Problem `already-exists`, `reference-unknown` */
export async function createStation(database: Database, actor: PersonActor, draft: StationDraft): Promise<Station> {
  return runActOf(database, actor, async (act) => {
    if ((await selectSite(act.sql, draft.site)) === undefined) {
      throw unknownReference('/site', `There is no site ${draft.site}.`)
    }
    const record = { ...draft, recordedAt: act.at, recordedBy: actor.person }
    await unlessTaken(insertStation(act, record), `Station ${draft.station} exists.`)
    act.touch('station', draft.station, [draft.site])
    await recordEntry(act, {
      action: 'createStation',
      by: actor.person,
      subject: `stations/${draft.station}`,
      facts: { site: draft.site, linked: draft.linked },
    })
    return writeStation(record)
  })
}

/**
 * Records an instrument and what it can do; it counts nowhere until it is assigned to a station, so no site is touched.
 * @throws Problem `already-exists`, `field-invalid`
 */
export async function createInstrument(
  database: Database,
  actor: PersonActor,
  draft: InstrumentDraft,
): Promise<Instrument> {
  const refusals = checkCapabilities(draft.capabilities)
  if (refusals.length > 0) {
    const errors = refusals.map((refusal) => ({ ...refusal, pointer: `/capabilities${refusal.pointer}` }))
    throw new Problem('field-invalid', { errors })
  }
  return runActOf(database, actor, async (act) => {
    const capabilities = storedCapabilities(draft.capabilities)
    const record = { ...draft, capabilities, recordedAt: act.at, recordedBy: actor.person }
    await unlessTaken(insertInstrument(act, record), `Instrument ${draft.instrument} exists.`)
    await recordEntry(act, {
      action: 'createInstrument',
      by: actor.person,
      subject: `instruments/${draft.instrument}`,
      facts: { capabilities },
    })
    return writeInstrument(record)
  })
}

/**
 * Puts an instrument at a station from an instant that may lie in the past. What it ends (another instrument there, its
 * own stay elsewhere) is computed, not written.
 * @throws Problem `station-not-found`, `reference-unknown`, `already-exists`, `instant-in-future`, `field-invalid`
 */
export async function assignInstrument(
  database: Database,
  actor: PersonActor,
  station: string,
  draft: InstrumentAssignmentDraft,
): Promise<InstrumentAssignmentAnswer> {
  const { instrument } = draft
  const asked = readDated(draft.from, '/from')
  const until = draft.until ? readDated(draft.until, '/until') : null
  if (until !== null && until <= asked) throw fieldInvalid('/until', 'must lie after from')
  return runActOf(database, actor, async (act) => {
    if ((await selectStation(act.sql, station)) === undefined) throw stationNotFound(station)
    await requireInstrument(act, instrument)
    const from = act.datedAt(asked, '/from')
    const record = { station, instrument, from, until, recordedAt: act.at, recordedBy: actor.person }
    await unlessTaken(insertInstrumentAssignment(act, record), `${instrument} is assigned to ${station} from then on.`)
    await touchInstrument(act, instrument)
    const assignment = writeInstrumentAssignment(record)
    await recordEntry(act, {
      action: 'assignInstrument',
      by: actor.person,
      subject: `stations/${station}/instruments`,
      facts: { instrument, from: assignment.from, until: assignment.until },
    })
    return assignment
  })
}

/** @throws Problem `already-exists`, `reference-unknown`, `instant-in-future`, `field-invalid` */
export async function recordCalibration(
  database: Database,
  actor: PersonActor,
  draft: CalibrationDraft,
): Promise<CalibrationAnswer> {
  const asked = readDated(draft.performedAt, '/performedAt')
  if (endsBefore(draft.dueOn, asked)) throw fieldInvalid('/dueOn', 'must not lie before the day it was performed')
  const uncertainty = draft.uncertainty ?? []
  const asFound = draft.asFound ?? []
  const refusals = [...checkUncertainty(uncertainty), ...checkAsFound(asFound)]
  if (refusals.length > 0) throw new Problem('field-invalid', { errors: refusals })
  return runActOf(database, actor, async (act) => {
    await requireInstrument(act, draft.instrument)
    const performedAt = act.datedAt(asked, '/performedAt')
    const record = { ...draft, uncertainty, asFound, performedAt, recordedAt: act.at, recordedBy: actor.person }
    await unlessTaken(insertCalibration(act, record), `Calibration ${draft.calibration} exists.`)
    await touchInstrument(act, draft.instrument)
    const calibration = writeCalibration(record)
    await recordEntry(act, {
      action: 'recordCalibration',
      by: actor.person,
      subject: `calibrations/${draft.calibration}`,
      facts: { instrument: draft.instrument, performedAt: calibration.performedAt, dueOn: draft.dueOn },
    })
    return calibration
  })
}

/** Tells every site where the instrument ever stood, and its stations there: late uploads may rest on each of them. */
async function touchInstrument(act: Act, instrument: string): Promise<void> {
  for (const { station, site } of await selectStationsOfInstrument(act.sql, instrument)) {
    act.touch('instrument', instrument, [site])
    act.touch('station', station, [site])
  }
}

async function requireInstrument(act: Act, instrument: string): Promise<void> {
  if ((await selectInstrument(act.sql, instrument)) === undefined) {
    throw unknownReference('/instrument', `There is no instrument ${instrument}.`)
  }
}

/** Waits for an insert; a key that is taken becomes the Problem `already-exists`. */
export async function unlessTaken(insert: Promise<void>, detail: string): Promise<void> {
  try {
    await insert
  } catch (error) {
    throw isTaken(error) ? new Problem('already-exists', { detail, cause: error }) : error
  }
}

export function stationNotFound(station: string): Problem {
  return new Problem('station-not-found', { detail: `There is no station ${station}.` })
}
