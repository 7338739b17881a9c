import { writeInstant, writeInstantOrNull } from '../exact/time.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { isSameHash, readToken, secretHash } from './keys.ts'
import {
  type KeyRow,
  type PersonWithSecret,
  selectKey,
  selectKeys,
  selectKeyToCheck,
  selectPerson,
  selectPersons,
} from './store.ts'
import type { AccessKeyAnswer, Actor, PersonAnswer } from './words.ts'

export interface PageAsked {
  readonly limit: number
  readonly after: string | undefined
}

/** Who sends this token; undefined where the key is unknown or revoked. Asks the database each time. */
export async function findActor(sql: Sql, token: string): Promise<Actor | undefined> {
  const parts = readToken(token)
  const row = parts && (await selectKeyToCheck(sql, parts.id))
  if (!parts || !row || row.revoked_at !== null || !isSameHash(secretHash(parts.secret), row.secret_hash)) {
    return undefined
  }
  if (row.person !== null) {
    return { kind: 'person', key: parts.id, person: row.person, roles: row.roles }
  }
  if (row.kind === 'person' || row.site === null) {
    throw new Error(`the row of access key ${parts.id} is neither a person's nor a machine's`)
  }
  return { kind: row.kind, key: parts.id, site: row.site, stations: row.stations }
}

/** Whether a key is known and not revoked. */
export async function isKeyLive(sql: Sql, key: string): Promise<boolean> {
  const row = await selectKeyToCheck(sql, key)
  return row !== undefined && row.revoked_at === null
}

/** Persons in order of their keys. One more than `limit` where there are more. */
export async function listPersons(database: Database, asked: PageAsked): Promise<PersonAnswer[]> {
  const rows = await selectPersons(database.prisma, { after: asked.after, take: asked.limit + 1 })
  return rows.map(personAnswer)
}

/** @throws Problem `person-not-found` */
export async function getPerson(database: Database, person: string): Promise<PersonAnswer> {
  const row = await selectPerson(database.prisma, person)
  if (row === undefined) {
    throw new Problem('person-not-found')
  }
  return personAnswer(row)
}

/** Access keys in order of their ids. One more than `limit` where there are more. */
export async function listKeys(database: Database, asked: PageAsked): Promise<AccessKeyAnswer[]> {
  const rows = await selectKeys(database.prisma, { after: asked.after, take: asked.limit + 1 })
  return rows.map(keyAnswer)
}

/** @throws Problem `key-not-found` */
export async function getKey(database: Database, key: string): Promise<AccessKeyAnswer> {
  const row = await selectKey(database.prisma, key)
  if (row === undefined) {
    throw new Problem('key-not-found')
  }
  return keyAnswer(row)
}

/** The site of each station that exists, of those asked for. */
export async function readSitesOf(sql: Sql, stations: readonly string[]): Promise<ReadonlyMap<string, string>> {
  const rows = await sql.query<{ station: string; site: string }>(
    'SELECT station, site FROM governance.station WHERE station = ANY ($1)',
    [stations],
    'access_sites_of_stations',
  )
  return new Map(rows.map((row) => [row.station, row.site]))
}

/** Whether there is such a person. */
export async function hasPerson(sql: Sql, person: string): Promise<boolean> {
  const rows = await sql.query(
    'SELECT 1 AS one FROM governance.person WHERE person = $1',
    [person],
    'access_has_person',
  )
  return rows.length === 1
}

/** Whether there is such a site. */
export async function hasSite(sql: Sql, site: string): Promise<boolean> {
  const rows = await sql.query('SELECT 1 AS one FROM governance.site WHERE site = $1', [site], 'access_has_site')
  return rows.length === 1
}

export function personAnswer(row: PersonWithSecret): PersonAnswer {
  return {
    person: row.person,
    name: row.name,
    roles: [...row.roles],
    recordedAt: writeInstant(row.recordedAt),
    recordedBy: row.recordedBy,
    oneTimeCode: row.hasSecret ? 'fetched' : 'not-fetched',
  }
}

export function keyAnswer(row: KeyRow): AccessKeyAnswer {
  return {
    key: row.key,
    kind: row.kind,
    person: row.person,
    site: row.site,
    stations: [...row.stations],
    recordedAt: writeInstant(row.recordedAt),
    recordedBy: row.recordedBy,
    revokedAt: writeInstantOrNull(row.revoked?.at ?? null),
    revokedBy: row.revoked?.by ?? null,
    revokedReason: row.revoked?.reason ?? null,
  }
}
