import { instant } from '../support/clock.ts'
import { type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, type Client, created, expected } from '../support/service.ts'

/** Files as station LDS-F2 of Aldermoor Works writes them: one row a run, with what changes from run to run in columns. */

const TIMES = [
  '/startedAt',
  '/endedAt',
  ...[0, 1, 2, 3].flatMap((n) => [`/steps/${n}/startedAt`, `/steps/${n}/endedAt`]),
]
const BOND = '/steps/0/measurements/0/reading'

/** What a column holds, and where. */
const COLUMNS = [
  { header: 'key', at: '/uploadKey', as: 'text' },
  { header: 'count', at: '/sequenceNumber', as: 'count' },
  { header: 'serial', at: '/serial', as: 'text' },
  ...TIMES.map((at) => ({ header: at, at, as: 'instant' })),
  { header: 'result', at: '/stationVerdict', as: 'word', words: { OK: 'pass', NG: 'fail' } },
  {
    header: 'bond',
    at: BOND,
    as: 'quantity',
    unit: 'mOhm',
    overloads: { OL: { relation: '>', value: '999', unit: 'mOhm' } },
  },
]
export const HEADERS = COLUMNS.map(({ header }) => header)

const at = (wire: Wire, pointer: string): Wire =>
  pointer
    .split('/')
    .slice(1)
    .reduce((so, member) => so[member], wire)

/** The content of a profile for files of the line's uploads. */
export function profileContent(line: Line, profile: number, change: Wire = {}): Wire {
  const template = line.upload()
  for (const member of ['sentAt', 'uploadKey', 'sequenceNumber', 'serial', 'startedAt', 'endedAt'])
    delete template[member]
  delete template.stationVerdict
  delete at(template, BOND).value
  delete at(template, BOND).unit
  return {
    station: 'LDS-F2',
    profile,
    encoding: 'utf-8',
    separator: ';',
    decimalMark: ',',
    template,
    columns: COLUMNS,
    ...change,
  }
}

/** A row of a file, as text of its cells by header. */
export function cellsOf(wire: Wire): string[] {
  return [
    wire.uploadKey,
    String(wire.sequenceNumber),
    wire.serial,
    ...TIMES.map((pointer) => at(wire, pointer)),
    'OK',
    at(wire, BOND).value.replace('.', ','),
  ]
}

/** A file of these rows, with its header and line ends. */
export function fileOf(rows: readonly (readonly string[])[], headers: readonly string[] = HEADERS): string {
  return [headers, ...rows].map((cells) => `${cells.join(';')}\r\n`).join('')
}

export interface Sent {
  readonly status: number
  readonly location: string
  // biome-ignore lint/suspicious/noExplicitAny: bodies of every shape are looked into.
  readonly lines: any[]
}

/** Sends a file to a station as CSV; a refusal is the one line of the answer. */
export async function sendFile(
  line: Line,
  bytes: string | Buffer,
  options: {
    readonly as?: Client
    readonly station?: string
    readonly query?: string
    readonly headers?: Record<string, string>
  } = {},
): Promise<Sent> {
  const { as = line.station, station = 'LDS-F2', query = '', headers = {} } = options
  const reply = await line.service.app.server.inject({
    method: 'POST',
    url: `/v1/stations/${station}/files${query}`,
    headers: { authorization: `Bearer ${as.token}`, 'content-type': 'text/csv', ...headers },
    payload: bytes,
  })
  const lines = reply.body.split('\n').filter((one) => one !== '')
  return {
    status: reply.statusCode,
    location: String(reply.headers.location ?? ''),
    lines: lines.map((one) => JSON.parse(one)),
  }
}

/** Writes a profile and confirms it by the second person. */
export async function confirmProfile(line: Line, content: Wire, effectiveFrom?: string): Promise<Answer> {
  const path = `/v1/stations/${content.station}/profiles`
  const { digest } = created(
    await line.author.post(path, { content, changeReason: 'the station was set up anew' }),
  ).body
  const body = { digest, meaning: 'compared with a file of the station', ...(effectiveFrom ? { effectiveFrom } : {}) }
  const answer = expected(await line.approver.sign(`${path}/${content.profile}/confirmation`, body), 200)
  line.setClock(line.now() + 1_000)
  return answer
}

/** The line at an hour of the day, under a clock that the test moves. */
export async function openFileLine(): Promise<Line> {
  const line = await openLine({ still: true })
  line.setClock(instant('2026-03-16T06:30:00.000Z'))
  return line
}
