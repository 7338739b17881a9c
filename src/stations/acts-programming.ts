import { runActOf } from '../access/acts-live.ts'
import { hasPerson } from '../access/reads.ts'
import type { PersonActor } from '../access/words.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Act } from '../platform/gate.ts'
import { fieldInvalid, Problem, unknownReference } from '../platform/problems.ts'
import { unlessTaken } from './acts.ts'
import { fitsInstrument } from './capability.ts'
import { readDated } from './dated.ts'
import { holdsInstrument } from './instrument-assignment.ts'
import { type RevisionToProgram, readRevisionToProgram } from './reads-revision.ts'
import { writeProgramming } from './record.ts'
import {
  insertProgramming,
  insertProgrammingEnding,
  selectAssignmentsAround,
  selectInstrument,
  selectProgramming,
  selectProgrammingsOf,
  selectStation,
} from './store.ts'
import type { ProgrammingAnswer, ProgrammingDraft, ProgrammingEndingDraft } from './words.ts'

/**
 * Records that one person keyed a revision's sheet into an instrument and that the person who posts this, another one,
 * read it back. It ends what stood in any of the programs before.
 * @throws Problem `two-people-required`, `reference-unknown`, `digest-stale`, `revision-not-current`,
 * `instrument-not-at-station`, `instrument-not-capable`, `already-exists`, `instant-in-future`, `field-invalid`
 */
export async function recordProgramming(
  database: Database,
  actor: PersonActor,
  draft: ProgrammingDraft,
): Promise<ProgrammingAnswer> {
  const asked = readDated(draft.at, '/at')
  requireReadBack(actor, draft)
  return runActOf(database, actor, async (act) => {
    const at = act.datedAt(asked, '/at')
    const station = await selectStation(act.sql, draft.station)
    if (station === undefined) throw unknownReference('/station', `There is no station ${draft.station}.`)
    const instrument = await selectInstrument(act.sql, draft.instrument)
    if (instrument === undefined) throw unknownReference('/instrument', `There is no instrument ${draft.instrument}.`)
    if (!(await hasPerson(act.sql, draft.keyedBy))) {
      throw unknownReference('/keyedBy', `There is no person ${draft.keyedBy}.`)
    }
    const revision = await readRevisionToProgram(act.sql, { ...draft, site: station.site, at })
    requireCurrent(revision, draft)
    const assignments = await selectAssignmentsAround(act.sql, draft.station, draft.instrument)
    if (holdsInstrument(assignments, draft, at) === undefined) {
      const detail = `Instrument ${draft.instrument} did not stand at station ${draft.station} at that instant.`
      throw refusal('instrument-not-at-station', '/instrument', detail)
    }
    const misfits = fitsInstrument(revision.content, instrument.capabilities, draft.programs)
    if (misfits.length > 0) throw new Problem('instrument-not-capable', { errors: misfits })
    const record = { ...draft, at, recordedAt: act.at }
    await unlessTaken(insertProgramming(act, record), `Programming ${draft.programming} exists.`)
    await touchProgrammings(act, record)
    const answer = writeProgramming({ ...record, ending: null })
    await recordEntry(act, {
      action: 'recordProgramming',
      by: actor.person,
      subject: `programmings/${draft.programming}`,
      facts: {
        station: draft.station,
        instrument: draft.instrument,
        programs: draft.programs,
        plan: draft.plan,
        revision: draft.revision,
        revisionDigest: draft.revisionDigest,
        keyedBy: draft.keyedBy,
        at: answer.at,
      },
    })
    return answer
  })
}

/**
 * Ends a programming: something was changed at the tester. One ending is recorded; a second is refused.
 * @throws Problem `programming-not-found`, `already-ended`, `instant-in-future`, `field-invalid`
 */
export async function endProgramming(
  database: Database,
  actor: PersonActor,
  programming: string,
  draft: ProgrammingEndingDraft,
): Promise<ProgrammingAnswer> {
  const asked = readDated(draft.at, '/at')
  return runActOf(database, actor, async (act) => {
    const at = act.datedAt(asked, '/at')
    const current = await selectProgramming(act.sql, programming)
    if (current === undefined) throw programmingNotFound(programming)
    if (current.ending !== null) {
      throw new Problem('already-ended', { detail: `An ending of ${programming} is recorded already.` })
    }
    if (at < current.at) throw fieldInvalid('/at', 'must not lie before the programming itself')
    const ending = { at, reason: draft.reason, endedBy: actor.person, recordedAt: act.at }
    await insertProgrammingEnding(act, programming, ending)
    act.touch('programming', programming, [await siteOf(act, current.station)])
    const answer = writeProgramming({ ...current, ending })
    await recordEntry(act, {
      action: 'endProgramming',
      by: actor.person,
      subject: `programmings/${programming}`,
      facts: { at: answer.ending?.at, reason: draft.reason },
    })
    return answer
  })
}

export function programmingNotFound(programming: string): Problem {
  return new Problem('programming-not-found', { detail: `There is no programming ${programming}.` })
}

function requireReadBack(actor: PersonActor, draft: ProgrammingDraft): void {
  if (draft.keyedBy === draft.readBackBy) {
    throw refusal(
      'two-people-required',
      '/readBackBy',
      `${draft.keyedBy} keyed it in; another person must read it back.`,
    )
  }
  if (draft.readBackBy !== actor.person) {
    throw fieldInvalid('/readBackBy', `must be the person who posts this, ${actor.person}`)
  }
}

function requireCurrent(
  revision: RevisionToProgram | undefined,
  draft: ProgrammingDraft,
): asserts revision is RevisionToProgram {
  const name = `revision ${draft.revision} of ${draft.plan}`
  if (revision === undefined) throw unknownReference('/revision', `There is no ${name}.`)
  if (revision.digest !== draft.revisionDigest) {
    throw refusal('digest-stale', '/revisionDigest', `The content of ${name} has the digest ${revision.digest}.`)
  }
  if (!revision.isScheduledOrInForce) {
    const detail = `At that instant ${name} was neither scheduled nor in force at the station's site.`
    throw refusal('revision-not-current', '/revision', detail)
  }
}

function refusal(
  key: 'two-people-required' | 'digest-stale' | 'revision-not-current' | 'instrument-not-at-station',
  pointer: string,
  detail: string,
): Problem {
  return new Problem(key, { detail, errors: [{ pointer, code: key, detail }] })
}

/** The new one and every other whose programs it shares: each may now have another end. */
async function touchProgrammings(
  act: Act,
  made: { readonly programming: string; readonly instrument: string; readonly programs: readonly string[] },
): Promise<void> {
  for (const other of await selectProgrammingsOf(act.sql, [made.instrument])) {
    const isConcerned = other.programs.some((program) => made.programs.includes(program))
    if (isConcerned) act.touch('programming', other.programming, [await siteOf(act, other.station)])
  }
}

async function siteOf(act: Act, station: string): Promise<string> {
  const found = await selectStation(act.sql, station)
  if (found === undefined) throw new Error(`a programming names station ${station}, which is not there`)
  return found.site
}
