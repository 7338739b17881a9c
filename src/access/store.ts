import type { Prisma } from '../generated/prisma/client.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { KeyKind, Role } from './words.ts'

/** Rows as values: instants are milliseconds since the epoch. */
export interface PersonRow {
  readonly person: string
  readonly name: string
  readonly roles: readonly Role[]
  readonly recordedAt: number
  readonly recordedBy: string
}

export interface KeyRow {
  readonly key: string
  readonly kind: KeyKind
  readonly person: string | null
  readonly site: string | null
  readonly stations: readonly string[]
  readonly recordedAt: number
  readonly recordedBy: string
  readonly revoked: { readonly at: number; readonly by: string; readonly reason: string } | null
}

type Transaction = Prisma.TransactionClient

// ------------------------------------------------------------------------------------------------ persons

export async function insertPerson(prisma: Transaction, row: PersonRow): Promise<void> {
  await prisma.person.create({
    data: { ...row, roles: [...row.roles], recordedAt: new Date(row.recordedAt) },
  })
}

const PERSON_COLUMNS = {
  person: true,
  name: true,
  roles: true,
  recordedAt: true,
  recordedBy: true,
  oneTimeSecretRows: { where: { voidedAt: null }, select: { fetchedAt: true } },
} as const satisfies Prisma.PersonSelect

export interface PersonWithSecret extends PersonRow {
  readonly hasSecret: boolean
}

/** Persons in order of their key, from behind `after` on. */
export async function selectPersons(
  prisma: Transaction,
  page: { readonly after: string | undefined; readonly take: number },
): Promise<PersonWithSecret[]> {
  const rows = await prisma.person.findMany({
    ...(page.after === undefined ? {} : { where: { person: { gt: page.after } } }),
    orderBy: { person: 'asc' },
    take: page.take,
    select: PERSON_COLUMNS,
  })
  return rows.map(personOf)
}

export async function selectPerson(prisma: Transaction, person: string): Promise<PersonWithSecret | undefined> {
  const row = await prisma.person.findUnique({ where: { person }, select: PERSON_COLUMNS })
  return row === null ? undefined : personOf(row)
}

function personOf(row: Prisma.PersonGetPayload<{ select: typeof PERSON_COLUMNS }>): PersonWithSecret {
  return {
    person: row.person,
    name: row.name,
    roles: row.roles as Role[], // The CHECK person_roles holds the list; a test compares it with words.ts.
    recordedAt: row.recordedAt.getTime(),
    recordedBy: row.recordedBy,
    hasSecret: row.oneTimeSecretRows.length > 0,
  }
}

// ------------------------------------------------------------------------------------------------ keys

export async function insertKey(prisma: Transaction, row: Omit<KeyRow, 'revoked'>, secretHash: string): Promise<void> {
  await prisma.accessKey.create({
    data: {
      key: row.key,
      kind: row.kind,
      person: row.person,
      site: row.site,
      secretHash,
      recordedAt: new Date(row.recordedAt),
      recordedBy: row.recordedBy,
    },
  })
  if (row.stations.length > 0) {
    await prisma.keyStation.createMany({ data: row.stations.map((station) => ({ key: row.key, station })) })
  }
}

const KEY_COLUMNS = {
  key: true,
  kind: true,
  person: true,
  site: true,
  recordedAt: true,
  recordedBy: true,
  revokedAt: true,
  revokedBy: true,
  revokedReason: true,
  keyStationRows: { select: { station: true }, orderBy: { station: 'asc' } },
} as const satisfies Prisma.AccessKeySelect

/** Keys in order of their id, from behind `after` on. */
export async function selectKeys(
  prisma: Transaction,
  page: { readonly after: string | undefined; readonly take: number },
): Promise<KeyRow[]> {
  const rows = await prisma.accessKey.findMany({
    ...(page.after === undefined ? {} : { where: { key: { gt: page.after } } }),
    orderBy: { key: 'asc' },
    take: page.take,
    select: KEY_COLUMNS,
  })
  return rows.map(keyOf)
}

export async function selectKey(prisma: Transaction, key: string): Promise<KeyRow | undefined> {
  const row = await prisma.accessKey.findUnique({ where: { key }, select: KEY_COLUMNS })
  return row === null ? undefined : keyOf(row)
}

function keyOf(row: Prisma.AccessKeyGetPayload<{ select: typeof KEY_COLUMNS }>): KeyRow {
  const { revokedAt, revokedBy, revokedReason } = row
  return {
    key: row.key,
    kind: row.kind as KeyKind, // The CHECK access_key_kind holds the list.
    person: row.person,
    site: row.site,
    stations: row.keyStationRows.map(({ station }) => station),
    recordedAt: row.recordedAt.getTime(),
    recordedBy: row.recordedBy,
    revoked:
      revokedAt === null || revokedBy === null || revokedReason === null
        ? null
        : { at: revokedAt.getTime(), by: revokedBy, reason: revokedReason },
  }
}

export async function markRevoked(
  prisma: Transaction,
  key: string,
  revoked: { readonly at: number; readonly by: string; readonly reason: string },
): Promise<void> {
  await prisma.accessKey.update({
    where: { key },
    data: { revokedAt: new Date(revoked.at), revokedBy: revoked.by, revokedReason: revoked.reason },
  })
}

export async function countKeys(prisma: Transaction): Promise<number> {
  return prisma.accessKey.count()
}

/** Keys of administrators that still open something. */
export async function countLiveAdministratorKeys(prisma: Transaction): Promise<number> {
  return prisma.accessKey.count({ where: { revokedAt: null, personOf: { roles: { has: 'administrator' } } } })
}

/** A key as the guard needs it. `roles` is empty for machines, `stations` for persons. */
export interface KeyToCheck {
  readonly secret_hash: string
  readonly kind: KeyKind
  readonly person: string | null
  readonly site: string | null
  readonly revoked_at: number | null
  readonly roles: Role[]
  readonly stations: string[]
}

/** Asked with every request, hence one prepared statement. */
export async function selectKeyToCheck(sql: Sql, key: string): Promise<KeyToCheck | undefined> {
  const [row] = await sql.query<KeyToCheck>(
    `SELECT k.secret_hash, k.kind, k.person, k.site, k.revoked_at, coalesce(p.roles, '{}') AS roles,
            ARRAY(SELECT s.station FROM governance.key_station s WHERE s.key = k.key ORDER BY s.station) AS stations
     FROM governance.access_key k LEFT JOIN governance.person p ON p.person = k.person WHERE k.key = $1`,
    [key],
    'access_key_to_check',
  )
  return row
}

// ------------------------------------------------------------------------------------------------ one-time codes

/** Stores a sealed secret; false where the person has one that still counts. */
export async function insertSecret(
  sql: Sql,
  row: { readonly person: string; readonly at: number; readonly sealed: string },
): Promise<boolean> {
  const made = await sql.query(
    `INSERT INTO governance.one_time_secret (person, fetched_at, sealed) VALUES ($1, $2, $3)
     ON CONFLICT DO NOTHING RETURNING person`,
    [row.person, timestamptzText(row.at), row.sealed],
    'access_insert_secret',
  )
  return made.length === 1
}

/**
 * The sealed secret that counts for a person, held until the transaction ends: a voiding waits, and then ends the presence
 * that was opened with it.
 */
export async function selectSecret(sql: Sql, person: string): Promise<string | undefined> {
  const [row] = await sql.query<{ sealed: string }>(
    'SELECT sealed FROM governance.one_time_secret WHERE person = $1 AND voided_at IS NULL FOR SHARE',
    [person],
    'access_select_secret',
  )
  return row?.sealed
}

/** Voids the secret that counts; false where there is none. */
export async function markSecretVoided(
  sql: Sql,
  row: { readonly person: string; readonly at: number; readonly by: string },
): Promise<boolean> {
  const voided = await sql.query(
    `UPDATE governance.one_time_secret SET voided_at = $2, voided_by = $3
     WHERE person = $1 AND voided_at IS NULL RETURNING person`,
    [row.person, timestamptzText(row.at), row.by],
    'access_void_secret',
  )
  return voided.length === 1
}

/** Uses up the code of one time step; false where it was used before, also by a transaction running beside this one. */
export async function insertUsedCode(sql: Sql, person: string, step: number): Promise<boolean> {
  const made = await sql.query(
    'INSERT INTO governance.used_code (person, time_step) VALUES ($1, $2) ON CONFLICT DO NOTHING RETURNING person',
    [person, step],
    'access_use_code',
  )
  return made.length === 1
}

/** Until when presence of a key is open. */
export async function selectPresence(sql: Sql, key: string): Promise<number | undefined> {
  const [row] = await sql.query<{ until_at: number }>(
    'SELECT until_at FROM governance.presence WHERE key = $1',
    [key],
    'access_select_presence',
  )
  return row?.until_at
}

export async function upsertPresence(sql: Sql, key: string, until: number): Promise<void> {
  await sql.query(
    `INSERT INTO governance.presence (key, until_at) VALUES ($1, $2)
     ON CONFLICT (key) DO UPDATE SET until_at = excluded.until_at`,
    [key, timestamptzText(until)],
    'access_open_presence',
  )
}

/** Ends presence of all keys of a person at once. */
export async function endPresence(sql: Sql, person: string, at: number): Promise<void> {
  await sql.query(
    `UPDATE governance.presence SET until_at = $2
     WHERE key IN (SELECT key FROM governance.access_key WHERE person = $1) AND until_at > $2`,
    [person, timestamptzText(at)],
    'access_end_presence',
  )
}

/** The database's clock inside a transaction, in whole milliseconds since the epoch. */
export async function selectNow(sql: Sql): Promise<number> {
  const [row] = await sql.query<{ now: number }>(
    'SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)::int8 AS now',
    [],
    'access_now',
  )
  if (row === undefined) {
    throw new Error('the database answered a question about its clock with no row')
  }
  return row.now
}
