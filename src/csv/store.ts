import { canonicalText } from '../exact/canonical.ts'
import { type Sql, timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import { idInstant } from '../platform/ids.ts'
import { readStored } from '../platform/versioned-words.ts'
import { type FileRecord, nameOf, type ProfileKey, type ProfileRecord } from './record.ts'
import { ProfileContentWire } from './words.ts'

type ProfileRow = Omit<ProfileRecord, 'content'> & { readonly content: string }

const PROFILE_COLUMNS = `station, profile, state, content, digest, change_reason AS "changeReason",
  created_at AS "createdAt", created_by AS "createdBy", confirmed_at AS "confirmedAt", confirmed_by AS "confirmedBy",
  confirmed_meaning AS "confirmedMeaning", effective_from AS "effectiveFrom", withdrawn_at AS "withdrawnAt",
  withdrawn_by AS "withdrawnBy", withdrawn_reason AS "withdrawnReason"`

/** One profile; undefined where there is none. */
export async function selectProfile(sql: Sql, { station, profile }: ProfileKey): Promise<ProfileRecord | undefined> {
  const [row] = await sql.query<ProfileRow>(
    `SELECT ${PROFILE_COLUMNS} FROM governance.station_profile WHERE station = $1 AND profile = $2`,
    [station, profile],
    'csv_profile',
  )
  return row && recordOf(row)
}

/** The same page of profiles of each of these stations, ascending. */
export async function selectProfilesOf(
  sql: Sql,
  stations: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<ProfileRecord[]> {
  const rows = await sql.query<ProfileRow>(
    `SELECT p.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${PROFILE_COLUMNS} FROM governance.station_profile WHERE station = asked.key AND profile > $2
       ORDER BY profile LIMIT $3) p`,
    [stations, page.after, page.limit],
    'csv_profiles_of',
  )
  return rows.map(recordOf)
}

/** The profiles of a station that were confirmed, those that were withdrawn afterwards among them. */
export async function selectConfirmedProfiles(sql: Sql, station: string): Promise<ProfileRecord[]> {
  const rows = await sql.query<ProfileRow>(
    `SELECT ${PROFILE_COLUMNS} FROM governance.station_profile WHERE station = $1 AND effective_from IS NOT NULL`,
    [station],
    'csv_profiles_confirmed',
  )
  return rows.map(recordOf)
}

/** The numbers of a station's profiles so far. */
export async function selectNumbers(
  sql: Sql,
  { station, profile }: ProfileKey,
): Promise<{ highest: number | null; isTaken: boolean }> {
  const [row] = await sql.query<{ highest: number | null; isTaken: boolean | null }>(
    `SELECT max(profile) AS highest, bool_or(profile = $2) AS "isTaken" FROM governance.station_profile WHERE station = $1`,
    [station, profile],
    'csv_profile_numbers',
  )
  return { highest: row?.highest ?? null, isTaken: row?.isTaken ?? false }
}

export async function insertProfile(
  act: Act,
  {
    content,
    createdAt,
    ...record
  }: Pick<
    ProfileRecord,
    'station' | 'profile' | 'state' | 'content' | 'digest' | 'changeReason' | 'createdAt' | 'createdBy'
  >,
): Promise<void> {
  await act.prisma.stationProfile.create({
    data: { ...record, content: canonicalText(content), createdAt: new Date(createdAt) },
  })
}

export async function markConfirmed(
  act: Act,
  { station, profile }: ProfileKey,
  confirmed: Pick<ProfileRecord, 'state' | 'confirmedBy' | 'confirmedMeaning'> & { readonly effectiveFrom: number },
): Promise<void> {
  await act.prisma.stationProfile.update({
    where: { station_profile: { station, profile } },
    data: { ...confirmed, effectiveFrom: new Date(confirmed.effectiveFrom), confirmedAt: new Date(act.at) },
  })
}

export async function markWithdrawn(
  act: Act,
  { station, profile }: ProfileKey,
  withdrawn: Pick<ProfileRecord, 'state' | 'withdrawnBy' | 'withdrawnReason'>,
): Promise<void> {
  await act.prisma.stationProfile.update({
    where: { station_profile: { station, profile } },
    data: { ...withdrawn, withdrawnAt: new Date(act.at) },
  })
}

/** What still reads as a profile; anything else in the database is a bug. */
function recordOf(row: ProfileRow): ProfileRecord {
  return { ...row, content: ProfileContentWire.parse(readStored(row, nameOf(row))) }
}

const FILE_COLUMNS = `f.site_id AS site, f.file_id AS "fileId", f.station, f.received_at AS "receivedAt", f.sender, f.digest,
  f.length, f.profile, f.profile_digest AS "profileDigest", f.rows, f.fault::jsonb AS fault`

/** Keeps the bytes of a file; of bytes that are there the site has one copy. */
export async function insertContent(
  sql: Sql,
  { site, digest }: Pick<FileRecord, 'site' | 'digest'>,
  bytes: Buffer,
): Promise<void> {
  await sql.query(
    'INSERT INTO intake.file_contents (site_id, digest, bytes) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING',
    [site, digest, bytes],
    'csv_insert_content',
  )
}

export async function insertFile(sql: Sql, file: FileRecord): Promise<void> {
  await sql.query(
    `INSERT INTO intake.files (site_id, file_id, station, received_at, sender, digest, length, profile, profile_digest,
       rows, fault)
     VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
    [
      file.site,
      file.fileId,
      file.station,
      timestamptzText(file.receivedAt),
      file.sender,
      file.digest,
      file.length,
      file.profile,
      file.profileDigest,
      file.rows,
      file.fault === null ? null : JSON.stringify(file.fault),
    ],
    'csv_insert_file',
  )
}

/** A file; undefined where the text is the id of none. */
export async function selectFile(sql: Sql, fileId: string): Promise<FileRecord | undefined> {
  if (idInstant(fileId) === undefined) return undefined
  const [row] = await sql.query<FileRecord>(
    `SELECT ${FILE_COLUMNS} FROM intake.files f WHERE f.file_id = $1`,
    [fileId],
    'csv_file',
  )
  return row
}

/** The same page of files of each of these stations, the latest first. */
export function selectFilesOf(
  sql: Sql,
  stations: readonly string[],
  page: { readonly before: string; readonly limit: number },
): Promise<FileRecord[]> {
  return sql.query<FileRecord>(
    `SELECT p.* FROM unnest($1::text[]) AS asked (key) CROSS JOIN LATERAL (
       SELECT ${FILE_COLUMNS} FROM intake.files f WHERE f.station = asked.key AND f.file_id < $2::uuid
       ORDER BY f.file_id DESC LIMIT $3) p`,
    [stations, page.before, page.limit],
    'csv_files_of',
  )
}

export async function selectFileBytes(sql: Sql, { site, digest }: FileRecord): Promise<Buffer> {
  const [row] = await sql.query<{ bytes: Buffer }>(
    'SELECT bytes FROM intake.file_contents WHERE site_id = $1 AND digest = $2',
    [site, digest],
    'csv_file_bytes',
  )
  if (row === undefined) throw new Error(`the bytes ${digest} of a file are gone`)
  return row.bytes
}
