import { z } from 'zod'
import { type Actor, speaksFor } from '../access/words.ts'
import type { Sql } from '../platform/database/sql.ts'
import { getStation } from '../stations/reads.ts'
import { fileNotFound, type ProfileKey, profileNotFound, writeFile, writeProfile } from './record.ts'
import { selectFile, selectFileBytes, selectFilesOf, selectProfile, selectProfilesOf } from './store.ts'
import type { StationFile, StationProfile } from './words.ts'

/** The place of a file in a list, and the one before all of them. */
export const FilePlaceWire = z.uuid()
const LAST_PLACE = 'ffffffff-ffff-ffff-ffff-ffffffffffff'

interface FilePage {
  readonly after: string | undefined
  readonly limit: number
}

/** @throws Problem `profile-not-found` */
export async function getProfile(sql: Sql, key: ProfileKey): Promise<StationProfile> {
  const record = await selectProfile(sql, key)
  if (record === undefined) throw profileNotFound(key)
  return writeProfile(record)
}

/**
 * The profiles of a station, ascending. One more than `limit` where there are more.
 * @throws Problem `station-not-found`
 */
export async function listProfiles(
  sql: Sql,
  station: string,
  page: { readonly after: number; readonly limit: number },
): Promise<StationProfile[]> {
  await getStation(sql, station)
  return await readProfilesOf(sql, [station], page)
}

/** The same page of profiles of each of these stations, ascending. One more than `limit` where there are more. */
export async function readProfilesOf(
  sql: Sql,
  stations: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<StationProfile[]> {
  return (await selectProfilesOf(sql, stations, { after: page.after, limit: page.limit + 1 })).map(writeProfile)
}

/**
 * The files of a station, the latest first. One more than `limit` where there are more.
 * @throws Problem `station-not-found`
 */
export async function listFiles(sql: Sql, station: string, page: FilePage): Promise<StationFile[]> {
  await getStation(sql, station)
  return await readFilesOf(sql, [station], page)
}

/** The same page of files of each of these stations, the latest first. One more than `limit` where there are more. */
export async function readFilesOf(sql: Sql, stations: readonly string[], page: FilePage): Promise<StationFile[]> {
  const before = page.after ?? LAST_PLACE
  return (await selectFilesOf(sql, stations, { before, limit: page.limit + 1 })).map(writeFile)
}

/**
 * A file, for any person with a role and for a machine key that speaks for its station.
 * @throws Problem `file-not-found`
 */
export async function getFile(sql: Sql, fileId: string, viewer: Actor): Promise<StationFile> {
  return writeFile(await findFile(sql, fileId, viewer))
}

/**
 * The bytes of a file exactly as they came, inflated where they came compressed.
 * @throws Problem `file-not-found`
 */
export async function readFileBytes(sql: Sql, fileId: string, viewer: Actor): Promise<Buffer> {
  return await selectFileBytes(sql, await findFile(sql, fileId, viewer))
}

async function findFile(sql: Sql, fileId: string, viewer: Actor) {
  const file = await selectFile(sql, fileId)
  // Not 403: whether another station sent a file is none of its business.
  if (file === undefined || !speaksFor(viewer, file.station)) throw fileNotFound(fileId)
  return file
}
