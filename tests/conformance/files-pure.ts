import { expect } from 'vitest'
import { readCsvUploads } from '../../src/csv/uploads.ts'
import { ProfileContentWire } from '../../src/csv/words.ts'
import type { ConformanceCase, FileCase } from './case.ts'

/** The files of a case by the functions that decide, and what both runners make of them. */

export function bytesOf({ name, text, hex }: FileCase): Buffer {
  if (text !== undefined) return Buffer.from(text, 'utf8')
  if (hex !== undefined) return Buffer.from(hex, 'hex')
  throw new Error(`the file ${name} has no bytes`)
}

/** The content of the first profile of a station. */
export function contentOf({ profile }: FileCase, station: string): Record<string, unknown> {
  const { template = {}, ...members } = profile
  return { station, profile: 1, ...members, template: { station, ...(template as object) } }
}

/** What was read of each row, at the places that the case asks for. */
export function compareRows({ name, expect: { rows = [] } }: FileCase, uploads: readonly unknown[]): void {
  const found = uploads.map((upload, index) =>
    Object.fromEntries(Object.keys(rows[index] ?? {}).map((pointer) => [pointer, valueAt(upload, pointer)])),
  )
  expect(found, name).toEqual(rows)
}

function valueAt(upload: unknown, pointer: string): unknown {
  return pointer
    .split('/')
    .slice(1)
    .reduce((value, member) => (value as Record<string, unknown> | undefined)?.[member], upload)
}

export function runFilesPure({ files }: ConformanceCase): void {
  for (const file of files) {
    const { profileRefused, fault } = file.expect
    const profile = ProfileContentWire.safeParse(contentOf(file, 'LDS-F3'))
    if (profileRefused !== undefined) {
      const pointers = profile.error?.issues.map(({ path }) => `/${path.join('/')}`)
      expect(pointers, file.name).toContain(profileRefused)
      continue
    }
    if (!profile.success) throw profile.error
    const read = readCsvUploads(bytesOf(file), profile.data)
    expect(read.ok ? undefined : read.fault, file.name).toEqual(fault)
    if (read.ok) {
      compareRows(
        file,
        read.uploads.map(({ upload }) => upload),
      )
    }
  }
}
