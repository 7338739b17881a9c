import { randomBytes } from 'node:crypto'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import type { Database } from '../platform/database/pool.ts'
import { isTaken } from '../platform/database/transaction.ts'
import { type Act, runAct } from '../platform/gate.ts'
import { fieldInvalid, Problem, unknownReference } from '../platform/problems.ts'
import { runActOf } from './acts-live.ts'
import { KEY_ID_BYTES, KEY_SECRET_BYTES, keyIdFrom, readToken, secretHash, writeToken } from './keys.ts'
import { hasSite, keyAnswer, personAnswer, readSitesOf } from './reads.ts'
import {
  countKeys,
  countLiveAdministratorKeys,
  insertKey,
  insertPerson,
  type KeyRow,
  markRevoked,
  selectKey,
  selectPerson,
} from './store.ts'
import {
  type AccessKeyAnswer,
  type IssuedKey,
  type KeyDraft,
  type PersonActor,
  type PersonAnswer,
  type PersonDraft,
  type Reason,
  SERVICE_NAME,
} from './words.ts'

/**
 * Adds a person. Roles are given once; a person who changes jobs gets a new person key.
 * @throws Problem `already-exists`
 */
export async function createPerson(database: Database, actor: PersonActor, draft: PersonDraft): Promise<PersonAnswer> {
  return runActOf(database, actor, async (act) => addPerson(act, actor.person, draft))
}

async function addPerson(act: Act, by: string, draft: PersonDraft): Promise<PersonAnswer> {
  const row = { ...draft, recordedAt: act.at, recordedBy: by }
  try {
    await insertPerson(act.prisma, row)
  } catch (error) {
    throw isTaken(error) ? new Problem('already-exists', { cause: error }) : error
  }
  act.touch('person', draft.person, 'all')
  // Roles decide who may sign, so the ledger holds them; the name it never does.
  await recordEntry(act, {
    action: 'createPerson',
    by,
    subject: `persons/${draft.person}`,
    facts: { roles: [...draft.roles].sort() },
  })
  return personAnswer({ ...row, hasSecret: false })
}

/**
 * Issues an access key and shows its token, once. Station and gateway keys are bound to the site of their stations.
 * @throws Problem `reference-unknown`, `field-invalid` where a gateway's station stands at another site
 */
export async function issueKey(database: Database, actor: PersonActor, draft: KeyDraft): Promise<IssuedKey> {
  return runActOf(database, actor, async (act) => addKey(act, actor.person, await holderOf(act, draft)))
}

type Holder = Pick<KeyRow, 'kind' | 'person' | 'site' | 'stations'>

async function holderOf(act: Act, draft: KeyDraft): Promise<Holder> {
  switch (draft.kind) {
    case 'person':
      if ((await selectPerson(act.prisma, draft.person)) === undefined) {
        throw unknownReference('/person', `There is no person ${draft.person}.`)
      }
      return { kind: 'person', person: draft.person, site: null, stations: [] }
    case 'station': {
      const site = (await readSitesOf(act.sql, [draft.station])).get(draft.station)
      if (site === undefined) {
        throw unknownReference('/station', `There is no station ${draft.station}.`)
      }
      return { kind: 'station', person: null, site, stations: [draft.station] }
    }
    case 'gateway': {
      if (!(await hasSite(act.sql, draft.site))) {
        throw unknownReference('/site', `There is no site ${draft.site}.`)
      }
      const sites = await readSitesOf(act.sql, draft.stations)
      for (const [index, station] of draft.stations.entries()) {
        const site = sites.get(station)
        if (site === undefined) {
          throw unknownReference(`/stations/${index}`, `There is no station ${station}.`)
        }
        if (site !== draft.site) {
          throw fieldInvalid(`/stations/${index}`, `Station ${station} stands at site ${site}, not at ${draft.site}.`)
        }
      }
      return { kind: 'gateway', person: null, site: draft.site, stations: [...draft.stations].sort() }
    }
  }
}

async function addKey(act: Act, by: string, holder: Holder): Promise<IssuedKey> {
  const key = keyIdFrom(randomBytes(KEY_ID_BYTES))
  const token = writeToken(key, randomBytes(KEY_SECRET_BYTES))
  const secret = readToken(token)?.secret
  if (secret === undefined) {
    throw new Error('a token just written cannot be read')
  }
  const row = { key, ...holder, recordedAt: act.at, recordedBy: by }
  await insertKey(act.prisma, row, secretHash(secret))
  touchKey(act, row)
  await recordEntry(act, {
    action: 'issueKey',
    by,
    subject: `keys/${key}`,
    facts: { kind: holder.kind, person: holder.person, site: holder.site, stations: holder.stations },
  })
  return { ...keyAnswer({ ...row, revoked: null }), token }
}

/**
 * Revokes a key from now on; uploads that were committed stay.
 * @throws Problem `key-not-found`, `already-revoked`, `last-administrator-key`
 */
export async function revokeKey(
  database: Database,
  actor: PersonActor,
  key: string,
  { reason }: Reason,
): Promise<AccessKeyAnswer> {
  return runActOf(database, actor, async (act) => {
    const row = await selectKey(act.prisma, key)
    if (row === undefined) {
      throw new Problem('key-not-found')
    }
    if (row.revoked !== null) {
      throw new Problem('already-revoked', { detail: `It was revoked at ${writeInstant(row.revoked.at)}.` })
    }
    const revoked = { at: act.at, by: actor.person, reason }
    await markRevoked(act.prisma, key, revoked)
    // Without one nobody could issue a key again, and no start prints another while any key is stored.
    if ((await countLiveAdministratorKeys(act.prisma)) === 0) {
      throw new Problem('last-administrator-key', { detail: 'Issue another key to an administrator first.' })
    }
    touchKey(act, row)
    await recordEntry(act, { action: 'revokeKey', by: actor.person, subject: `keys/${key}`, facts: { reason } })
    return keyAnswer({ ...row, revoked })
  })
}

/** A person's key counts in every site, a machine's in its own. */
function touchKey(act: Act, row: { readonly key: string; readonly site: string | null }): void {
  act.touch('key', row.key, row.site === null ? 'all' : [row.site])
}

/** The person the first key belongs to. */
const FIRST_ADMINISTRATOR = 'administrator'

/**
 * Makes the first administrator and key where no key is stored at all; undefined where one is. The gate orders parallel
 * starts, so one of them makes it.
 */
export async function bootstrapAdministrator(database: Database): Promise<IssuedKey | undefined> {
  return runAct(database, async (act) => {
    if ((await countKeys(act.prisma)) > 0) {
      return undefined
    }
    if ((await selectPerson(act.prisma, FIRST_ADMINISTRATOR)) === undefined) {
      await addPerson(act, SERVICE_NAME, {
        person: FIRST_ADMINISTRATOR,
        name: 'First administrator',
        roles: ['administrator'],
      })
    }
    return addKey(act, SERVICE_NAME, { kind: 'person', person: FIRST_ADMINISTRATOR, site: null, stations: [] })
  })
}
