import { readToken } from '../../src/access/keys.ts'
import type { Received } from '../../src/intake/decided.ts'
import { readUpload } from '../../src/intake/read-upload.ts'
import type { Line, Wire } from '../support/line.ts'
import type { Client } from '../support/service.ts'
import { bytesOf } from './example.ts'

/** The id of the access key that a client sends. */
export function keyIdOf({ token }: Client): string {
  const id = readToken(token ?? '')?.id
  if (id === undefined) throw new Error('the client sends no token')
  return id
}

/** An upload as the request handler hands it to the lane, received now with a key of one station at Leeds. */
export function receivedOf(line: Line, wire: Wire, sender: Client = line.station, station = 'LDS-F2'): Received {
  const raw = bytesOf(wire)
  const read = readUpload(raw)
  if (read.kind === 'unreadable') throw new Error(read.message)
  const receivedAt = line.now()
  return {
    actor: { kind: 'station', key: keyIdOf(sender), site: 'leeds', stations: [station] },
    read,
    raw,
    receivedAt,
    runId: line.service.database.ids.mint(receivedAt),
  }
}
