import { argv, exit, stdout } from 'node:process'
import pg from 'pg'
import { startEmbedded } from '../../src/platform/database/embedded.ts'
import { silentLog } from '../../src/platform/log.ts'

/**
 * A process to be killed: starts the embedded database in the folder given, prints its URLs, then writes numbered rows
 * one commit after another and prints each number once its commit is acknowledged.
 */
const [, , directory = '', mode = 'write'] = argv
try {
  const embedded = await startEmbedded({ directory, log: silentLog })
  stdout.write(`${JSON.stringify(embedded)}\n`)
  if (mode === 'once') {
    await embedded.stop()
    exit(0)
  }
  const client = new pg.Client({ connectionString: embedded.ownerUrl })
  await client.connect()
  await client.query('CREATE TABLE IF NOT EXISTS written (number int PRIMARY KEY)')
  for (let number = 1; ; number += 1) {
    await client.query('INSERT INTO written VALUES ($1)', [number])
    stdout.write(`${number}\n`)
  }
} catch (error) {
  stdout.write(`${JSON.stringify({ refused: String(error) })}\n`)
  exit(1)
}
