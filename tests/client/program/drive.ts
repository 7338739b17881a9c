import { createHmac } from 'node:crypto'
import {
  type AccessKeyDraft,
  Api,
  type BatchLine,
  type EditionDraft,
  type HttpResponse,
  type InstrumentDraft,
  type PlanRevisionDraft,
  type Problem,
  type ProductVersionDraft,
  type StationProfileDraft,
  type Upload,
} from './api.ts'
import { checkStation } from './checks.ts'
import { askFirst } from './impact.ts'
import { giveLeave } from './leave.ts'
import type { Cited, Driven, Place } from './place.ts'
import { changeOnADate } from './schedule.ts'

/**
 * A client's own program, written against nothing but the client that a general tool makes from the published document.
 * It runs a whole line of Aldermoor Works (invented), and calls every operation at least once.
 */

export type Line = Awaited<ReturnType<typeof setUp>>

const SITE = 'leeds'
const STATION = 'LDS-F2'
const INSTRUMENT = 'INS-0031'
const PLAN = 'ex36-final'
const PRODUCT = 'EX36'
const OPENED_AT = '2026-01-05T00:00:00Z'
const TABLES = [
  'rule-appliance-steps-1',
  'rule-appliance-bonding-1',
  'rule-appliance-strength-4',
  'rule-extractor-strength-3',
  'rule-appliance-insulation-1',
  'rule-appliance-touch-1',
]
const two = { limit: 2 }

export async function drive(place: Place): Promise<Driven> {
  const line = await setUp(place)
  await publishRules(place, line)
  await exchangeFiles(line)
  await confirmProduct(place, line)
  const cited = await bringIntoForce(place, line)
  const uploads = await uploadRuns(place, line, cited)
  const batch = await uploadBatch(place, line, cited)
  const file = await uploadFile(place, line, cited)
  const leave = await giveLeave(place, line, cited, await uploadFailing(place, line, cited))
  const publish = await askFirst(place, line)
  const feed = await follow(place, line)
  const changes = await changeAndStop(place, line, cited)
  const schedule = await changeOnADate(place, line)
  const checks = await checkStation(place, line)
  const impact = await publish()
  return { ...uploads, ...batch, ...file, ...feed, ...changes, schedule, checks, leave, impact }
}

function apiOf(place: Place, token?: string): Api<unknown>['v1'] & Pick<Api<unknown>, 'livez' | 'readyz'> {
  const headers: Record<string, string> = token === undefined ? {} : { authorization: `Bearer ${token}` }
  const api = new Api({ baseUrl: place.url, customFetch: place.fetch, baseApiParams: { headers } })
  return { ...api.v1, livez: api.livez, readyz: api.readyz }
}

/** The plant, its tester, its people and their keys. */
async function setUp(place: Place) {
  const anyone = apiOf(place)
  await anyone.livez.getLiveness()
  await anyone.readyz.getReadiness()

  const administrator = apiOf(place, place.administratorToken)
  await administrator.createSite({
    site: SITE,
    name: 'Aldermoor Works, Leeds',
    timeZone: 'Europe/London',
    openedAt: OPENED_AT,
  })
  await administrator.listSites(two)
  await administrator.getSite(SITE)
  await administrator.createStation({ station: STATION, site: SITE, name: 'Final test, bay 2', linked: 'automatic' })
  await administrator.listStations({ site: SITE, ...two })
  await administrator.getStation(STATION)
  await administrator.createInstrument(place.seed<InstrumentDraft>('instrument-ins-0031'))
  await administrator.listInstruments(two)
  await administrator.getInstrument(INSTRUMENT)
  await administrator.assignInstrument(STATION, { instrument: INSTRUMENT, from: OPENED_AT })
  await administrator.listInstrumentAssignments(STATION, two)
  const calibration = 'CAL-2026-0118'
  await administrator.recordCalibration({
    calibration,
    instrument: INSTRUMENT,
    performedAt: '2026-01-14T10:30:00+00:00',
    dueOn: '2027-01-14',
    uncertainty: [
      {
        kind: 'touch-current',
        expanded: { value: '2', unit: 'uA' },
        relative: { value: '1.5', unit: '%' },
        coverageFactor: '2',
      },
    ],
  })
  await administrator.listCalibrations({ instrument: INSTRUMENT, ...two })
  await administrator.getCalibration(calibration)

  const keyOf = async (draft: AccessKeyDraft) => (await administrator.issueKey(draft)).data
  const join = async (person: string, name: string, roles: ('author' | 'approver')[] = []) => {
    await administrator.createPerson({ person, name, roles })
    return apiOf(place, (await keyOf({ kind: 'person', person })).token)
  }
  const author = await join('P-0112', 'Ruth Hartley', ['author'])
  const approver = await join('P-0205', 'Daniel Amis', ['approver'])
  await join('P-0398', 'Tom Sedgwick')
  const operator = await join('P-0417', 'Mina Farrow')
  await administrator.listPersons(two)
  await administrator.getPerson('P-0112')

  await approver.fetchOneTimeSecret('P-0205')
  place.pass(60)
  await administrator.voidOneTimeSecret('P-0205', { reason: 'the telephone with the authenticator was lost' })
  place.pass(60)
  const { secret } = (await approver.fetchOneTimeSecret('P-0205')).data
  /** Headers of a signature: a fresh code each time. */
  const signed = () => {
    place.pass(30)
    return { headers: { 'one-time-code': oneTimeCode(secret, place.now()) } }
  }

  const lost = await keyOf({ kind: 'station', station: STATION })
  await administrator.revokeKey(lost.key, { reason: 'the station was set up anew' })
  await administrator.listKeys(two)
  await administrator.getKey(lost.key)
  const station = apiOf(place, (await keyOf({ kind: 'station', station: STATION })).token)
  return { administrator, author, approver, operator, station, signed }
}

/** One person writes, another publishes. */
async function publishRules(place: Place, { author, approver, signed }: Line): Promise<void> {
  for (const name of TABLES) {
    const draft = place.seed<EditionDraft>(name)
    const { table, edition } = draft.content
    const written = await author.createEdition(table, draft)
    const ifMatch = { headers: { 'if-match': tagOf(written) } }
    const { digest } = (await author.replaceEdition(table, edition, draft, ifMatch)).data
    await author.submitEdition(table, edition, { digest })
    const publication = {
      digest,
      effectiveFrom: 'at-once',
      meaning: 'Read and published',
      bindsBecause: 'House rule of Aldermoor Works.',
    }
    await approver.publishEdition(table, edition, publication, signed())
    await author.listEditions(table, two)
    await author.getEdition(table, edition)
    await author.getSweep(table, edition)
  }
  place.pass(1)
  await author.listRuleTables(two)
  await author.listRuleSets(two)
  await author.getEditionVerification('extractor-strength', 3)
}

/** A table goes out for a spreadsheet and for another tool, and comes back as the first edition of tables of their own. */
async function exchangeFiles({ author }: Line): Promise<void> {
  const renamed = (text: string, table: string) => text.replaceAll('extractor-strength', table)
  const [csv, dmn] = ['strength-by-sheet', 'strength-by-model']
  const sheet = await (
    await author.getEditionCsv('extractor-strength', 3, { separator: 'semicolon', decimalMark: 'comma' })
  ).text()
  const model = await (await author.getEditionDmn('extractor-strength', 3)).text()
  const first = (text: string) => text.replace(/^(edition;)3/m, '$11').replace('edition="3"', 'edition="1"')
  const written = await author.createEditionFromCsv(csv, 1, first(renamed(sheet, csv)))
  const bySheet = { headers: { 'if-match': tagOf(written) } }
  await author.replaceEditionFromCsv(csv, 1, first(renamed(sheet, csv)), {}, bySheet)
  const made = await author.createEditionFromDmn(dmn, 1, first(renamed(model, dmn)))
  await author.replaceEditionFromDmn(dmn, 1, first(renamed(model, dmn)), {}, { headers: { 'if-match': tagOf(made) } })
}

async function confirmProduct(place: Place, { author, approver, signed }: Line): Promise<void> {
  const draft = place.seed<ProductVersionDraft>('product-ex36-3')
  const { version } = draft.content
  const written = await author.createVersion(PRODUCT, draft)
  const ifMatch = { headers: { 'if-match': tagOf(written) } }
  const { digest } = (await author.replaceVersion(PRODUCT, version, draft, ifMatch)).data
  await author.submitVersion(PRODUCT, version, { digest })
  const confirmation = { digest, meaning: 'Read against the drawing and confirmed' }
  await approver.confirmVersion(PRODUCT, version, confirmation, signed())
  await author.listProducts(two)
  await author.getProduct(PRODUCT)
  await author.listVersions(PRODUCT, two)
  await author.getVersion(PRODUCT, version)
  place.pass(1)
}

/** A revision is written, checked, approved, keyed in and read back. */
async function bringIntoForce(place: Place, line: Line): Promise<Cited> {
  const { author, operator } = line
  const draft = place.seed<PlanRevisionDraft>('plan-ex36-final-7')
  const { revision, revisionDigest } = await approve(place, line, draft)
  await author.listPlans(two)
  await author.getPlan(PLAN)
  await author.listRevisions(PLAN, two)
  await author.getRevision(PLAN, revision)
  await author.listFindings(PLAN, revision, two)
  await author.listBlocks(PLAN, revision, two)
  await author.proposeRevision(PLAN, { site: SITE, instrument: INSTRUMENT })
  await operator.getSetupSheet(PLAN, revision, { station: STATION })
  await (await operator.getSetupSheetPage(PLAN, revision, { station: STATION, variant: 'EX36-3M' })).text()
  const programming = 'PG-0192'
  await operator.recordProgramming({
    programming,
    station: STATION,
    instrument: INSTRUMENT,
    programs: ['3', '4'],
    plan: PLAN,
    revision,
    revisionDigest,
    keyedBy: 'P-0398',
    readBackBy: 'P-0417',
    at: instantOf(place.now()),
  })
  await author.listProgrammings({ station: STATION, ...two })
  await author.getProgramming(programming)
  place.pass(60)
  return { plan: PLAN, revision, revisionDigest, programming }
}

async function approve(place: Place, { author, approver, signed }: Line, draft: PlanRevisionDraft) {
  const { revision } = draft.content
  const written = await author.createRevision(PLAN, draft)
  const ifMatch = { headers: { 'if-match': tagOf(written) } }
  const { digest } = (await author.replaceRevision(PLAN, revision, draft, ifMatch)).data
  const { reasonNeededFor } = (await author.reviewRevision(PLAN, revision, {})).data
  const limitReasons = reasonNeededFor.map(({ path }) => ({ path, reason: 'agreed with the test engineer' }))
  await author.submitRevision(PLAN, revision, { digest, limitReasons })
  const approval = { digest, inForceFrom: 'at-once', meaning: 'Checked against product and rules, approved' }
  await approver.approveRevision(PLAN, revision, approval, signed())
  place.pass(1)
  return { revision, revisionDigest: digest }
}

/** A good run, its repeat, another content under its key, a unit in the wrong case, and a clock that is slow. */
async function uploadRuns(place: Place, { author, approver, station, signed }: Line, told: Cited): Promise<Driven> {
  const what = { product: PRODUCT, variant: 'EX36-3M', operation: 'final' }
  const assignment = (await station.getAssignment(STATION, what)).data
  const { plan, revision, revisionDigest, programming } = assignment
  if (plan === null || revision === null || revisionDigest === null || programming === null) {
    throw new Error(`the station is told nothing to test: ${JSON.stringify(assignment)}`)
  }
  const cited = { plan, revision, revisionDigest, programming }

  place.pass(120)
  const upload = runOf(place, 'EX36-26-004417', 7313, cited)
  const accepted = await station.uploadRun(upload)
  const repeated = await station.uploadRun({ ...upload, sentAt: instantOf(place.now()) })
  const other = structuredClone(upload)
  const touch = other.steps[3]?.measurements[1]?.reading
  if (touch) touch.value = '0.298'
  const conflict = await refused(station.uploadRun(other))
  await place.settle()

  place.pass(120)
  const wrong = structuredClone(runOf(place, 'EX36-26-004418', 7314, cited))
  const reading = wrong.steps[2]?.measurements[0]?.reading
  if (reading) reading.unit = 'GOHM'
  const rejected = await refused(station.uploadRun(wrong))

  place.pass(120)
  const slow = runOf(place, 'EX36-26-004419', 7315, cited)
  place.pass(600)
  const held = await station.uploadRun(slow)

  const { runId } = accepted.data
  const read = (await author.readRun(runId)).data
  const raw = await (await author.readRunBytes(runId)).text()
  const runs = (await author.listRuns({ outcome: 'rejected', ...two })).data
  const unit = (await author.readUnit(PRODUCT, upload.serial)).data
  const release = (await author.readRelease(PRODUCT, upload.serial)).data
  const unreleased = (await author.readRelease(PRODUCT, slow.serial)).data
  const units = [upload, slow].map(({ serial }) => ({ product: PRODUCT, serial }))
  await author.checkReleases({ units })
  const corrected = {
    step: 'touch',
    measurement: 'normal-open',
    member: 'reading' as const,
    reason: 'read wrongly off the display',
  }
  await author.correctRun(runId, { ...corrected, to: { value: '0.342', unit: 'mA' } })
  const serious = (await author.correctRun(runId, { ...corrected, to: { value: '0.942', unit: 'mA' } })).data
  const confirmation = { digest: serious.digest, meaning: 'Compared with the photograph of the display' }
  await approver.confirmCorrection(runId, serious.correctionId, confirmation, signed())
  await author.listCorrections(runId)
  await author.listAlerts(STATION)
  place.pass(60)
  const opening = {
    eventKey: 'RPR-0310',
    site: SITE,
    event: 'opened' as const,
    at: instantOf(place.now()),
    reason: 'hose collar replaced',
  }
  await author.recordUnitEvent(PRODUCT, upload.serial, opening)
  return {
    cited,
    told,
    mayTest: assignment.mayTest,
    accepted: { status: accepted.status, ...accepted.data },
    repeated: { status: repeated.status, ...repeated.data },
    conflict,
    rejected,
    held: { status: held.status, ...held.data },
    read,
    sentBytes: JSON.stringify(upload),
    raw,
    rejectedSerials: runs.items.map(({ serial }) => serial),
    attempts: unit.attempts.length,
    releasable: release.releasable,
    unreleasedReasons: unreleased.reasons.map(({ code }) => code),
  }
}

/** A unit whose leakage in the strength test is beyond its limit; gives the run's id. */
async function uploadFailing(place: Place, { station }: Line, cited: Cited): Promise<string> {
  place.pass(120)
  const run = runOf(place, 'EX36-26-004425', 7320, cited)
  delete run.stationVerdict
  const reading = run.steps.find(({ step }) => step === 'strength')?.measurements[0]?.reading
  if (!reading) throw new Error('the strength step has a reading')
  reading.value = '3.2'
  return (await station.uploadRun(run)).data.runId
}

/** What the station kept during an outage: tried out, then sent in one request, and asked for again. The second is wrong. */
async function uploadBatch(place: Place, { author, station }: Line, cited: Cited): Promise<Driven> {
  place.pass(120)
  const good = runOf(place, 'EX36-26-004420', 7316, cited)
  place.pass(120)
  const wrong = structuredClone(runOf(place, 'EX36-26-004421', 7317, cited))
  const reading = wrong.steps[2]?.measurements[0]?.reading
  if (reading) reading.unit = 'GOHM'
  const sentAt = instantOf(place.now())
  const uploads = [good, wrong].map((upload) => ({ ...upload, sentAt }))

  const { stored, status, outcome } = (await station.checkRun({ ...good, sentAt })).data
  const sent = await station.uploadBatch(uploads)
  const lines = linesOf(await sent.text())
  const batchId = sent.headers.get('location')?.split('/').at(-2) ?? ''
  const batch = (await author.readBatch(batchId)).data
  const later = linesOf(await (await author.readBatchAnswers(batchId, { after: 1 })).text())
  return { checked: { stored, status, outcome }, lines, batch, later }
}

/**
 * An old station that writes CSV: one person says how its files are to be read, another confirms, the file is taken; one
 * with a decimal point where a comma is declared is refused whole. At last the profile is stopped.
 */
async function uploadFile(place: Place, { author, approver, station, signed }: Line, cited: Cited): Promise<Driven> {
  place.pass(120)
  const { uploadKey, serial, sequenceNumber, sentAt: _, ...template } = runOf(place, 'EX36-26-004423', 7319, cited)
  const leak = '/steps/3/measurements/1/reading'
  const draft: StationProfileDraft = {
    content: {
      station: STATION,
      profile: 1,
      encoding: 'utf-8',
      separator: ';',
      decimalMark: ',',
      template,
      columns: [
        { header: 'key', at: '/uploadKey', as: 'text' },
        { header: 'number', at: '/sequenceNumber', as: 'count' },
        { header: 'serial', at: '/serial', as: 'text' },
        {
          header: 'leak mA',
          at: leak,
          as: 'quantity',
          unit: 'mA',
          overloads: { OL: { relation: '>', value: '19.99', unit: 'mA' } },
        },
      ],
      ignored: ['remark'],
    },
  }
  const { digest } = (await author.createStationProfile(STATION, draft)).data
  const confirmation = { digest, meaning: 'Compared with a file of the station' }
  await approver.confirmStationProfile(STATION, 1, confirmation, signed())
  await author.listStationProfiles(STATION, two)
  await author.getStationProfile(STATION, 1)
  place.pass(1)
  const fileOf = (reading: string) =>
    `key;number;serial;leak mA;remark\r\n${uploadKey};${sequenceNumber};${serial};${reading};\r\n`
  const sentAt = instantOf(place.now())
  const taken = await station.uploadFile(STATION, fileOf('0,341'), { profile: 1, sentAt })
  const rows = linesOf(await taken.text())
  // The generated client reads no body of this call by itself, since a good answer is lines.
  const unread = await station.uploadFile(STATION, fileOf('0.341')).catch((answer: Response) => answer)
  const refusedFile: Problem = JSON.parse(await unread.text())
  const fileId = taken.headers.get('location')?.split('/').at(-2) ?? ''
  const file = (await author.getFile(fileId)).data
  const bytes = await (await author.readFileBytes(fileId)).text()
  const files = (await author.listFiles(STATION, two)).data.items.map(({ fault }) => fault?.code ?? null)
  await author.withdrawStationProfile(STATION, 1, { reason: 'the station now uploads by itself' })
  return { rows, refusedFile, file, bytesAreThose: bytes === fileOf('0,341'), files }
}

/** Reads the feed of the plant's uploads page by page, to its end. */
async function follow(place: Place, { author }: Line): Promise<Driven> {
  await place.settle()
  const events: string[] = []
  let asked = { kinds: 'uploadRuns', site: SITE, ...two }
  for (;;) {
    const { items, nextCursor, atEnd } = (await author.listEvents(asked)).data
    events.push(...items.map(({ subject }) => subject))
    if (atEnd) return { events }
    asked = { ...asked, ...{ after: nextCursor } }
  }
}

/** A new revision comes into force; the old one is stale, the new one is withdrawn, and nothing may be tested. */
async function changeAndStop(place: Place, line: Line, cited: Cited): Promise<Driven> {
  const { author, operator, station } = line
  const draft = place.seed<PlanRevisionDraft>('plan-ex36-final-7')
  const eighth: PlanRevisionDraft = {
    content: {
      ...draft.content,
      revision: 8,
      steps: draft.content.steps.map((step) =>
        step.step === 'touch' ? { ...step, limitUpper: { value: '0.60', unit: 'mA', inclusive: true } } : step,
      ),
    },
    changeReason: 'touch current limit tightened after complaints',
  }
  await approve(place, line, eighth)
  const diff = (await author.diffRevision(PLAN, 8, { against: 7 })).data
  const { study } = (
    await author.createStudy({
      study: 'ST-2026-0007',
      question: { kind: 'revision-change', plan: PLAN, from: 7, to: 8, testedFrom: OPENED_AT },
    })
  ).data
  await place.settle()
  await author.listStudies(two)
  const { digest } = (await author.getStudy(study)).data
  await author.listStudyFindings(study, two)
  const conclusion = 'The units found are held and tested again by revision 8.'
  await line.approver.assessStudy(study, { digest, conclusion, meaning: 'assessed as quality lead' }, line.signed())
  const asked = { question: { kind: 'calibration-error' as const, calibration: 'CAL-2027-0009' } }
  const unfit = await refused(author.createStudy(asked))
  const again = { question: { kind: 'revision-change' as const, plan: PLAN, from: 7, to: 8, testedFrom: OPENED_AT } }
  await author.cancelStudy((await author.createStudy(again)).data.study)
  place.pass(120)
  const stale = await refused(station.uploadRun(runOf(place, 'EX36-26-004422', 7318, cited)))
  await operator.endProgramming(cited.programming, { at: instantOf(place.now()), reason: 'the tester is keyed anew' })
  await author.withdrawRevision(PLAN, 8, { reason: 'the network figure of the touch step was mistyped' })
  const what = { product: PRODUCT, variant: 'EX36-3M', operation: 'final' }
  const assignment = (await station.getAssignment(STATION, what)).data
  const alone = await refused(author.listRuns({ cursor: 'made-up' }))
  return { stale, unfit, changes: diff.changes.length, mayTestAtLast: assignment.mayTest, alone }
}

/** The problem that a call was refused with; throws where it was not refused. */
async function refused(call: Promise<HttpResponse<unknown, unknown>>): Promise<Problem> {
  const answered = await call.then(
    (answer) => {
      throw new Error(`should have been refused, was answered ${answer.status}`)
    },
    (answer: HttpResponse<unknown, Problem>) => answer,
  )
  if (answered instanceof Error) throw answered
  return answered.error
}

function linesOf(text: string): BatchLine[] {
  return text
    .trim()
    .split('\n')
    .map((line) => JSON.parse(line))
}

function tagOf(response: Response): string {
  const tag = response.headers.get('etag')
  if (tag === null) throw new Error('a draft comes with its entity tag')
  return tag
}

/** A good run, in the shape that the document publishes. */
function runOf(place: Place, serial: string, sequenceNumber: number, cited: Cited): Upload {
  return place.goodRun(serial, sequenceNumber, cited) as Upload
}

function instantOf(at: number): string {
  return new Date(at).toISOString()
}

/** RFC 6238 with its defaults: SHA-1, 30 s, six digits. The secret is base32 (RFC 4648). */
function oneTimeCode(secret: string, at: number): string {
  const letters = 'ABCDEFGHIJKLMNOPQRSTUVWXYZ234567'
  const bits = [...secret.replaceAll('=', '')].map((one) => letters.indexOf(one).toString(2).padStart(5, '0')).join('')
  const key = Uint8Array.from(bits.match(/.{8}/g) ?? [], (byte) => Number.parseInt(byte, 2))
  const counter = new DataView(new ArrayBuffer(8))
  counter.setBigUint64(0, BigInt(Math.floor(at / 30_000)))
  const mac = createHmac('sha1', key).update(new Uint8Array(counter.buffer)).digest()
  const place = (mac.at(-1) ?? 0) & 0xf
  return String((mac.readUInt32BE(place) & 0x7f_ff_ff_ff) % 1_000_000).padStart(6, '0')
}
