import type { EditionContent } from '../../src/rules/words.ts'
import { contractUpload, ex36, extractorStrength, planWire, type Wire } from './aldermoor.ts'
import { instant } from './clock.ts'
import {
  type Answer,
  type Client,
  created,
  expected,
  type PersonClient,
  startTestService,
  submitWithReasons,
  type TestService,
} from './service.ts'

/**
 * A whole line of Aldermoor Works (invented), brought up by the real acts over REST: the site Leeds with its final test
 * LDS-F2, rules, product EX36 version 3, plan ex36-final revision 7 in force, and the programming that the worked upload
 * of the wire contract cites. No number here is a limit for a real product.
 */

export type { Wire }

export interface Line {
  readonly service: TestService
  readonly author: PersonClient
  readonly approver: PersonClient
  /** Keys programs into testers; has no role. */
  readonly keyer: PersonClient
  /** Reads programs back and runs tests; has no role. */
  readonly operator: PersonClient
  readonly analyst: PersonClient
  /** The key of station LDS-F2. */
  readonly station: Client
  /** Of revision 7 of ex36-final. */
  readonly revisionDigest: string
  now(): number
  /** Sets a clock that stands still; a running one is shifted. Milliseconds since the epoch. */
  setClock(at: number): void
  /** A good upload of a new unit under a new key, sent now; `sentAt` or `startedAt` move it as a whole. */
  upload(change?: (wire: Wire) => void, at?: { readonly sentAt?: number; readonly startedAt?: number }): Wire
  /** Sends an upload as station LDS-F2, or as someone else. Text and bytes go as they are. */
  send(body: unknown, as?: Client): Promise<Answer>
  /** Writes an edition and publishes it, binding, by the second person. Gives the answer to the publication. */
  publish(content: EditionContent, effectiveFrom?: string): Promise<Answer>
  /** Writes, submits and approves a revision made from revision 7. Gives the answer to the approval. */
  approve(revision: number, inForceFrom?: string, change?: (content: Wire) => void): Promise<Answer>
  /** Records that a revision was keyed into INS-0031 at LDS-F2, and read back. */
  program(programming: string, parts: Wire): Promise<Answer>
}

export interface LineOptions {
  readonly startsAt?: string
  /** The clock stands still, and moves by `setClock` alone; else it runs. */
  readonly still?: boolean
  readonly poolMax?: number
}

const CONTRACT_SENT_AT = instant('2026-03-16T09:14:39.800Z')
const CONTRACT_STARTED_AT = instant('2026-03-16T09:14:05.120Z')
const INSTANTS: ReadonlySet<string> = new Set(['sentAt', 'startedAt', 'endedAt', 'takenAt'])
const MEANING = 'compared with the house rules'

/** A general table that the extractors' own one takes the trip current out of. Invented house rules. */
export function applianceStrength(change: Partial<EditionContent> = {}): EditionContent {
  const [source] = extractorStrength().sources
  if (source === undefined) throw new Error('the extractors have a source')
  return {
    table: 'appliance-strength',
    edition: 4,
    title: 'Routine electric strength, appliances',
    ruleSet: 'aldermoor-routine',
    subject: 'electric-strength-ac',
    hitPolicy: 'U',
    inputs: [{ attribute: 'insulation', type: 'string', values: '"basic","double","reinforced"' }],
    outputs: [
      { parameter: 'testVoltage', relation: '>=', unit: 'V' },
      { parameter: 'tripCurrent', relation: '<=', unit: 'mA' },
    ],
    rows: [
      { row: 'a1', when: ['"basic"'], then: ['1000', '3.5'] },
      { row: 'a2', when: ['"double","reinforced"'], then: ['2000', '3.5'] },
    ],
    sources: [{ ...source, rows: ['a1', 'a2'] }],
    ...change,
  }
}

/** Brings the line up. Under a still clock it ends at 05:40, when the programming is read back. */
export async function openLine(options: LineOptions = {}): Promise<Line> {
  const service = await startTestService({
    ...(options.startsAt === undefined ? {} : { startsAt: options.startsAt }),
    ...(options.poolMax === undefined ? {} : { poolMax: options.poolMax }),
  })
  const { now } = service
  let stillAt = options.still === true ? now() : undefined
  if (stillAt !== undefined) service.clock.read = (databaseMs) => stillAt ?? databaseMs
  const setClock = (at: number) => {
    if (stillAt === undefined) service.clock.shiftMs += at - now()
    else stillAt = at
  }
  /** Lets a second pass under a still clock, so that what is at once in force is so for the next act. */
  const settle = async (answer: Promise<Answer>, status = 201): Promise<Answer> => {
    const got = expected(await answer, status)
    if (stillAt !== undefined) stillAt += 1_000
    return got
  }

  const author = await service.addPerson('P-0101', ['author'])
  const approver = await service.addPerson('P-0201', ['approver'])
  const keyer = await service.addPerson('P-0398', [])
  const operator = await service.addPerson('P-0417', [])
  const analyst = await service.addPerson('P-0501', ['analyst'])
  const station = await openStations(service, settle)

  const publish: Line['publish'] = async (content, effectiveFrom = 'at-once') => {
    const path = `/v1/rule-tables/${content.table}/editions`
    const { digest } = created(await author.post(path, { content, changeReason: 'revised with the house rules' })).body
    expected(await author.post(`${path}/${content.edition}/submission`, { digest }), 200)
    const body = { digest, effectiveFrom, meaning: MEANING, bindsBecause: 'house rule of Aldermoor Works' }
    return settle(approver.sign(`${path}/${content.edition}/publication`, body), 200)
  }
  const approve: Line['approve'] = async (revision, inForceFrom = 'at-once', change = () => {}) => {
    const content: Wire = structuredClone(planWire)
    content.revision = revision
    change(content)
    const path = `/v1/plans/${content.plan}/revisions`
    const { digest } = created(await author.post(path, { content, changeReason: 'limits gone through again' })).body
    expected(await submitWithReasons(author, `${path}/${revision}`, digest), 200)
    return settle(approver.sign(`${path}/${revision}/approval`, { digest, inForceFrom, meaning: MEANING }), 200)
  }
  const program: Line['program'] = (programming, parts) =>
    operator.post('/v1/programmings', {
      programming,
      station: 'LDS-F2',
      instrument: 'INS-0031',
      programs: ['3', '4'],
      plan: 'ex36-final',
      keyedBy: keyer.person,
      readBackBy: operator.person,
      at: iso(now()),
      ...parts,
    })

  await publish(applianceStrength())
  await publish(extractorStrength({ edition: 2 }))
  await confirmProduct(author, approver, settle)
  const { digest: revisionDigest } = (await approve(7)).body
  if (stillAt !== undefined) stillAt = Math.max(stillAt, instant('2026-03-16T05:40:00.000Z'))
  await settle(program('PG-0192', { revision: 7, revisionDigest }))

  let made = 0
  const upload: Line['upload'] = (change = () => {}, at = {}) => {
    made += 1
    const number = String(made).padStart(6, '0')
    const sentAt = at.sentAt ?? now()
    const shift = at.startedAt === undefined ? sentAt - CONTRACT_SENT_AT : at.startedAt - CONTRACT_STARTED_AT
    const wire = JSON.parse(contractUpload, (member, value) =>
      INSTANTS.has(member) ? iso(instant(value) + shift) : value,
    )
    if (at.startedAt !== undefined) wire.sentAt = iso(sentAt)
    delete wire.attemptCause
    delete wire.attemptOf
    Object.assign(wire, {
      uploadKey: `LDS-F2:${number}`,
      sequenceNumber: made,
      serial: `EX36-26-${number}`,
      revisionDigest,
    })
    change(wire)
    return wire
  }
  return {
    service,
    author,
    approver,
    keyer,
    operator,
    analyst,
    station,
    revisionDigest,
    now,
    setClock,
    upload,
    send: (body, as = station) =>
      as.send({
        method: 'POST',
        url: '/v1/runs',
        headers: { 'content-type': 'application/json' },
        payload: typeof body === 'string' || Buffer.isBuffer(body) ? body : JSON.stringify(body),
      }),
    publish,
    approve,
    program,
  }
}

type Settle = (answer: Promise<Answer>, status?: number) => Promise<Answer>

/** Sites, stations and instruments as they stood when the plants opened. Gives the key of LDS-F2. */
async function openStations({ administrator, addKey }: TestService, settle: Settle): Promise<Client> {
  const openedAt = '2026-01-05T00:00:00Z'
  const post = (path: string, body: unknown) => settle(administrator.post(path, body))
  await post('/v1/sites', { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt })
  await post('/v1/sites', { site: 'osaka', name: 'Osaka', timeZone: 'Asia/Tokyo', openedAt })
  for (const [station, site] of [
    ['LDS-F2', 'leeds'],
    ['LDS-F3', 'leeds'],
    ['OSA-A1', 'osaka'],
  ] as const) {
    await post('/v1/stations', { station, site, name: `Final test ${station}`, linked: 'automatic' })
  }
  const kinds = [
    { kind: 'protective-bonding', range: { least: '1', most: '30', unit: 'A' } },
    { kind: 'electric-strength-ac', range: { least: '0.1', most: '5', unit: 'kV' } },
    { kind: 'insulation-resistance', range: { least: '250', most: '1000', unit: 'V' } },
    { kind: 'touch-current' },
  ]
  await post('/v1/instruments', {
    instrument: 'INS-0031',
    name: 'Tester with stored programs',
    capabilities: { programs: { count: 8, stepsEach: 5 }, kinds },
  })
  await post('/v1/instruments', { instrument: 'INS-0040', name: 'Tester set for each run', capabilities: { kinds } })
  await post('/v1/stations/LDS-F2/instruments', { instrument: 'INS-0031', from: openedAt })
  await post('/v1/stations/LDS-F3/instruments', { instrument: 'INS-0040', from: openedAt })
  for (const [calibration, instrument] of [
    ['CAL-2026-0118', 'INS-0031'],
    ['CAL-2026-0119', 'INS-0040'],
  ] as const) {
    await post('/v1/calibrations', { calibration, instrument, performedAt: openedAt, dueOn: '2026-12-31' })
  }
  return addKey({ kind: 'station', station: 'LDS-F2' })
}

async function confirmProduct(author: PersonClient, approver: PersonClient, settle: Settle): Promise<void> {
  const path = '/v1/products/EX36/versions'
  const { digest } = created(await author.post(path, { content: ex36(), changeReason: '5 m cord variant added' })).body
  expected(await author.post(`${path}/3/submission`, { digest }), 200)
  await settle(approver.sign(`${path}/3/confirmation`, { digest, meaning: 'compared with the type file' }), 200)
}

/** An instant as stations write it, with an offset. */
export function iso(at: number): string {
  return new Date(at).toISOString()
}
