import 'zod/compile'
import { readFile } from 'node:fs/promises'
import { z } from 'zod'
import { csvFaultTexts } from '../csv/faults.ts'
import { CsvProfileWire } from '../csv/profile.ts'
import { readCsvUploads } from '../csv/uploads.ts'

/**
 * Writes the rows of a CSV file as uploads, one a line, to be sent to /v1/batches at once: `sentAt` is stamped here where
 * the profile gives none. A file with one fault gives no line at all; the fault goes to standard error as one JSON
 * object with code, row, column and byte offset, and the exit code is 1. It is 2 where the profile itself is wrong.
 */
const [profilePath, filePath] = process.argv.slice(2)
if (profilePath === undefined || filePath === undefined) {
  console.error('usage: npm run --silent read-csv -- PROFILE.json FILE.csv')
  process.exit(2)
}
const profile = CsvProfileWire.safeParse(JSON.parse(await readFile(profilePath, 'utf8')))
if (!profile.success) {
  console.error(z.prettifyError(profile.error))
  process.exit(2)
}
const read = readCsvUploads(await readFile(filePath), profile.data)
if (read.ok) {
  const sentAt = new Date().toISOString()
  for (const { upload } of read.uploads) process.stdout.write(`${JSON.stringify({ sentAt, ...upload })}\n`)
} else {
  console.error(JSON.stringify({ ...read.fault, detail: csvFaultTexts[read.fault.code] }))
  process.exitCode = 1
}
