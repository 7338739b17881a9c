import { runActOf } from '../access/acts-live.ts'
import type { PersonActor, Reason } from '../access/words.ts'
import { canonicalText, digestOf } from '../exact/canonical.ts'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Act } from '../platform/gate.ts'
import { fieldInvalid, Problem, requireText } from '../platform/problems.ts'
import { firstState, requireHigherNumber, requireMove, type Versioned } from '../platform/versioned.ts'
import { draftErrors, readEffect } from '../platform/versioned-words.ts'
import { getStation } from '../stations/reads.ts'
import { lifecycle, type ProfileAction } from './lifecycle.ts'
import { nameOf, type ProfileKey, type ProfileRecord, profileNotFound, writeProfile } from './record.ts'
import { insertProfile, markConfirmed, markWithdrawn, selectNumbers, selectProfile } from './store.ts'
import type { ProfileConfirmation, ProfileDraft, ProfileState, StationProfile } from './words.ts'

// None of these acts touches a site: a profile says how bytes become uploads, never whether an upload counts. Whoever
// takes a file looks at its profile once more under the gate.

/** A profile is read for every file, so it must stay something that a person can read as well. */
const CONTENT_MAX = 65_536

/**
 * Writes a profile for a second person to confirm.
 * @throws Problem `station-not-found`, `already-exists`, `number-not-higher`, `field-invalid`
 */
export async function createProfile(
  database: Database,
  actor: PersonActor,
  station: string,
  { content, changeReason }: ProfileDraft,
): Promise<StationProfile> {
  const { profile } = content
  const errors = draftErrors({ content, changeReason }, { station }, profile)
  if (errors.length > 0) throw new Problem('field-invalid', { errors })
  const text = canonicalText(content)
  if (text.length > CONTENT_MAX) throw fieldInvalid('/content', `must have ${CONTENT_MAX} characters at most`)
  const key = { station, profile }
  return runActOf(database, actor, async (act) => {
    await getStation(act.sql, station)
    const numbers = await selectNumbers(act.sql, key)
    requireHigherNumber(profile, { ...numbers, name: nameOf(key), pointer: '/content/profile' })
    await insertProfile(act, {
      ...key,
      state: firstState(lifecycle, 'createStationProfile'),
      content,
      digest: digestOf(text),
      changeReason: changeReason ?? null,
      createdAt: act.at,
      createdBy: actor.person,
    })
    return entered(act, 'createStationProfile', actor, key, {})
  })
}

/**
 * The second person's signature: files that arrive from the instant given on are read by this profile.
 * @throws Problem `profile-not-found`, `state-conflict`, `digest-stale`, `two-people-required`,
 * `effective-instant-passed`, `field-invalid`
 */
export async function confirmProfile(
  database: Database,
  actor: PersonActor,
  key: ProfileKey,
  { digest, meaning, effectiveFrom: asked }: ProfileConfirmation,
): Promise<StationProfile> {
  const effect = readEffect(asked ?? 'at-once', '/effectiveFrom')
  requireText(meaning, '/meaning')
  return runActOf(database, actor, async (act) => {
    const current = await findProfile(act, key)
    const state = requireMove(lifecycle, 'confirmStationProfile', current, { by: actor.person, digest })
    const effectiveFrom = act.effectiveAt(effect, '/effectiveFrom')
    await markConfirmed(act, key, { state, confirmedBy: actor.person, confirmedMeaning: meaning, effectiveFrom })
    const facts = { meaning, effectiveFrom: writeInstant(effectiveFrom) }
    return entered(act, 'confirmStationProfile', actor, key, facts)
  })
}

/**
 * Stops a profile at once; one person is enough. Until another one takes effect no file of the station is read.
 * @throws Problem `profile-not-found`, `state-conflict`
 */
export async function withdrawProfile(
  database: Database,
  actor: PersonActor,
  key: ProfileKey,
  { reason }: Reason,
): Promise<StationProfile> {
  return runActOf(database, actor, async (act) => {
    const current = await findProfile(act, key)
    const state = requireMove(lifecycle, 'withdrawStationProfile', current, { by: actor.person })
    await markWithdrawn(act, key, { state, withdrawnBy: actor.person, withdrawnReason: reason })
    return entered(act, 'withdrawStationProfile', actor, key, { reason })
  })
}

async function findProfile(act: Act, key: ProfileKey): Promise<ProfileRecord & Versioned<ProfileState>> {
  const current = await selectProfile(act.sql, key)
  if (current === undefined) throw profileNotFound(key)
  return { ...current, name: nameOf(key), authors: [current.createdBy] }
}

/** Enters an act in the ledger, and answers with what it left. */
async function entered(
  act: Act,
  action: ProfileAction,
  { person: by }: PersonActor,
  key: ProfileKey,
  facts: Readonly<Record<string, unknown>>,
): Promise<StationProfile> {
  const record = await selectProfile(act.sql, key)
  if (record === undefined) throw new Error(`${nameOf(key)} is not there after it was written`)
  const subject = `stations/${key.station}/profiles/${key.profile}`
  await recordEntry(act, { action, by, subject, facts: { digest: record.digest, ...facts } })
  return writeProfile(record)
}
