import { runActOf } from '../access/acts-live.ts'
import type { PersonActor } from '../access/words.ts'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Act } from '../platform/gate.ts'
import { Problem, requireText } from '../platform/problems.ts'
import { readEffect } from '../platform/versioned-words.ts'
import { unlessTaken } from '../stations/acts.ts'
import { getStation } from '../stations/reads.ts'
import {
  type CheckPlanRow,
  kept,
  planContent,
  type ReferenceUnitRow,
  requireConfirmable,
  UNSIGNED,
  validForMs,
  writeCheckPlan,
  writeReferenceUnit,
} from './record.ts'
import {
  insertCheckPlan,
  insertPlanConfirmation,
  insertReferenceUnit,
  insertUnitConfirmation,
  insertUnitWithdrawal,
  selectCheckPlan,
  selectPlanNumber,
  selectReferenceUnitsNamed,
} from './store.ts'
import type {
  CheckConfirmation,
  CheckPlan,
  CheckPlanConfirmation,
  CheckPlanDraft,
  ReferenceUnit,
  ReferenceUnitDraft,
  ReferenceUnitWithdrawal,
} from './words.ts'

/** What two people stand for: reference units, and what is to be checked at a station. One is enough to withdraw a unit. */

/** @throws Problem `already-exists` */
export async function createReferenceUnit(
  database: Database,
  actor: PersonActor,
  draft: ReferenceUnitDraft,
): Promise<ReferenceUnit> {
  const { referenceUnit } = draft
  return runActOf(database, actor, async (act) => {
    const row: ReferenceUnitRow = {
      referenceUnit,
      ...kept(draft),
      recordedAt: act.at,
      recordedBy: actor.person,
      ...UNSIGNED,
      withdrawnAt: null,
      withdrawnBy: null,
      withdrawalReason: null,
    }
    await unlessTaken(insertReferenceUnit(act, row), `Reference unit ${referenceUnit} exists.`)
    const subject = `reference-units/${referenceUnit}`
    const facts = { digest: row.digest, shows: draft.shows }
    await recordEntry(act, { action: 'createReferenceUnit', by: actor.person, subject, facts })
    return writeReferenceUnit(row)
  })
}

/** @throws Problem `reference-unit-not-found`, `state-conflict`, `digest-stale`, `two-people-required`, `field-invalid` */
export async function confirmReferenceUnit(
  database: Database,
  actor: PersonActor,
  referenceUnit: string,
  { digest, meaning }: CheckConfirmation,
): Promise<ReferenceUnit> {
  requireText(meaning, '/meaning')
  return runActOf(database, actor, async (act) => {
    const row = await findUnit(act, referenceUnit)
    requireConfirmable(row, { person: actor.person, digest, name: `reference unit ${referenceUnit}` })
    await insertUnitConfirmation(act, { referenceUnit, meaning, confirmedBy: actor.person })
    const subject = `reference-units/${referenceUnit}`
    await recordEntry(act, {
      action: 'confirmReferenceUnit',
      by: actor.person,
      subject,
      facts: { digest, meaning },
    })
    return writeReferenceUnit({ ...row, meaning, confirmedAt: act.at, confirmedBy: actor.person })
  })
}

/**
 * Takes a unit out of use; checks made with it before stay what they were.
 * @throws Problem `reference-unit-not-found`, `already-ended`, `field-invalid`
 */
export async function withdrawReferenceUnit(
  database: Database,
  actor: PersonActor,
  referenceUnit: string,
  { reason }: ReferenceUnitWithdrawal,
): Promise<ReferenceUnit> {
  requireText(reason, '/reason')
  return runActOf(database, actor, async (act) => {
    const row = await findUnit(act, referenceUnit)
    if (row.withdrawnAt !== null) {
      throw new Problem('already-ended', { detail: `Reference unit ${referenceUnit} is withdrawn already.` })
    }
    await insertUnitWithdrawal(act, { referenceUnit, reason, withdrawnBy: actor.person })
    const subject = `reference-units/${referenceUnit}`
    await recordEntry(act, { action: 'withdrawReferenceUnit', by: actor.person, subject, facts: { reason } })
    return writeReferenceUnit({ ...row, withdrawnAt: act.at, withdrawnBy: actor.person, withdrawalReason: reason })
  })
}

/** @throws Problem `station-not-found`, `number-not-higher`, `field-invalid` */
export async function createCheckPlan(
  database: Database,
  actor: PersonActor,
  station: string,
  draft: CheckPlanDraft,
): Promise<CheckPlan> {
  const holds = validForMs(draft)
  return runActOf(database, actor, async (act) => {
    await getStation(act.sql, station)
    const number = draft.checkPlan
    const highest = await selectPlanNumber(act.sql, station)
    if (number <= highest) {
      const detail = `The check plans of ${station} go up to ${highest}.`
      const errors = [{ pointer: '/checkPlan', code: 'number-not-higher', detail }]
      throw new Problem('number-not-higher', { detail, errors })
    }
    const row: CheckPlanRow = {
      station,
      number,
      ...kept(planContent(station, draft)),
      recordedAt: act.at,
      recordedBy: actor.person,
      ...UNSIGNED,
      effectiveFrom: null,
    }
    await insertCheckPlan(act, row, { kinds: draft.kinds, validForMs: holds })
    const subject = `stations/${station}/check-plans/${number}`
    const facts = { digest: row.digest, kinds: draft.kinds, validFor: draft.validFor }
    await recordEntry(act, { action: 'createCheckPlan', by: actor.person, subject, facts })
    return writeCheckPlan(row)
  })
}

/**
 * From the instant on a run of these kinds needs a check; a plan that asks for less ends what the one before asked.
 * @throws Problem `check-plan-not-found`, `state-conflict`, `digest-stale`, `two-people-required`,
 *   `effective-instant-passed`, `field-invalid`
 */
export async function confirmCheckPlan(
  database: Database,
  actor: PersonActor,
  { station, checkPlan: number }: { readonly station: string; readonly checkPlan: number },
  { digest, meaning, effectiveFrom: from }: CheckPlanConfirmation,
): Promise<CheckPlan> {
  const asked = readEffect(from ?? 'at-once', '/effectiveFrom')
  requireText(meaning, '/meaning')
  return runActOf(database, actor, async (act) => {
    const row = await selectCheckPlan(act.sql, station, number)
    if (row === undefined) throw checkPlanNotFound(station, number)
    requireConfirmable(row, { person: actor.person, digest, name: `check plan ${number} of ${station}` })
    const effectiveFrom = act.effectiveAt(asked, '/effectiveFrom')
    await insertPlanConfirmation(act, { station, number, effectiveFrom, meaning, confirmedBy: actor.person })
    const { site } = await getStation(act.sql, station)
    act.touch('station', station, [site])
    await recordEntry(act, {
      action: 'confirmCheckPlan',
      by: actor.person,
      subject: `stations/${station}/check-plans/${number}`,
      facts: { digest, meaning, effectiveFrom: writeInstant(effectiveFrom) },
    })
    return writeCheckPlan({ ...row, effectiveFrom, meaning, confirmedAt: act.at, confirmedBy: actor.person })
  })
}

export function checkPlanNotFound(station: string, number: number): Problem {
  return new Problem('check-plan-not-found', { detail: `Station ${station} has no check plan ${number}.` })
}

export function referenceUnitNotFound(referenceUnit: string): Problem {
  return new Problem('reference-unit-not-found', { detail: `There is no reference unit ${referenceUnit}.` })
}

async function findUnit(act: Act, referenceUnit: string): Promise<ReferenceUnitRow> {
  const [row] = await selectReferenceUnitsNamed(act.sql, [referenceUnit])
  if (row === undefined) throw referenceUnitNotFound(referenceUnit)
  return row
}
