import { expect } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import {
  type Client,
  created,
  expected,
  type PersonClient,
  startTestService,
  submitWithReasons,
  type TestService,
} from '../support/service.ts'
import type { CorrectionCase, RevisionCase } from './case.ts'
import { checksOf } from './checks-http.ts'
import { concessionsOf, permitsOf } from './leave-http.ts'
import {
  ANOTHER_DIGEST,
  CHECKED,
  compareFindings,
  compareUnit,
  compareUpload,
  happeningsOf,
  INSTRUMENT,
  PERSON,
  planContent,
  productContent,
  type Scene,
  STATION,
  sendingsOf,
  serialOf,
  signingsOf,
  tableContent,
  tablesOf,
  type UnitFound,
  type UploadFound,
} from './scene.ts'
import { instrumentHappenings, studyHttp } from './studies-http.ts'

/** One service for all cases, with one line; each case has a product, a plan and a rule set of its own. */
export interface House {
  readonly service: TestService
  readonly author: PersonClient
  readonly approver: PersonClient
  readonly station: Client
  /** Lets the clock stand at an instant; it never goes back. */
  until(at: number): void
}

const GATEWAY = { kind: 'gateway', site: 'leeds', stations: [STATION, CHECKED.station] } as const
const MEANING = 'compared with the house rules'

export async function openHouse(): Promise<House> {
  const service = await startTestService({ startsAt: '2026-03-19T05:00:00.000Z' })
  let now = service.now()
  service.clock.read = () => now
  const until = (at: number) => {
    now = Math.max(now, at)
  }
  const { administrator, addKey } = service
  const post = async (path: string, body: unknown) => created(await administrator.post(path, body))
  const openedAt = '2026-01-05T00:00:00Z'
  await post('/v1/sites', { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt })
  const kinds = [
    'protective-bonding',
    'electric-strength-ac',
    'electric-strength-dc',
    'insulation-resistance',
    'touch-current',
  ].map((kind) => ({ kind }))
  for (const { station, instrument } of [{ station: STATION, instrument: INSTRUMENT }, CHECKED]) {
    await post('/v1/stations', { station, site: 'leeds', name: 'Final test', linked: 'automatic' })
    await post('/v1/instruments', { instrument, name: 'Tester set for each run', capabilities: { kinds } })
    await post(`/v1/stations/${station}/instruments`, { instrument, from: openedAt })
    const calibration = `CAL-${instrument}`
    await post('/v1/calibrations', { calibration, instrument, performedAt: openedAt, dueOn: '2026-12-31' })
  }
  const author = await service.addPerson('P-0101', ['author'])
  const approver = await service.addPerson('P-0201', ['approver'])
  await service.addPerson(PERSON, [])
  return { service, author, approver, station: await addKey(GATEWAY), until }
}

/** Runs a case by the real acts and uploads over HTTP. */
export async function runHttp(house: House, scene: Scene): Promise<void> {
  const { until } = house
  until(scene.at('04:00'))
  await confirmProduct(house, scene)
  const digests = new Map<number, string>()
  const happenings: { at: number; act: () => Promise<void> }[] = []
  for (const { content, publishedAt } of tablesOf(scene)) {
    happenings.push({ at: publishedAt, act: () => publish(house, tableContent(scene, content)) })
  }
  const productDigest = digestOf(canonicalText(productContent(scene)))
  for (const given of scene.given.revisions) {
    digests.set(given.revision, digestOf(canonicalText(planContent(scene, given, productDigest))))
    happenings.push({ at: scene.at('05:30'), act: () => write(house, scene, given, productDigest) })
  }
  for (const sending of sendingsOf(scene, (revision) => digests.get(revision) ?? `sha256:${'0'.repeat(64)}`)) {
    happenings.push({
      at: sending.receivedAt,
      act: async () => {
        until(sending.receivedAt)
        const answer = await house.station.post('/v1/runs', sending.wire)
        compareUpload(sending, uploadFound(answer.status, answer.body))
        runIds.set(sending.upload.name, answer.body.runId)
      },
    })
  }
  const runIds = new Map<string, string>()
  let recorded = 0
  happenings.push(
    ...happeningsOf<() => Promise<void>>(scene, {
      record: ({ unit, event }, at) => {
        recorded += 1
        const eventKey = `${scene.given.case}-${recorded}`
        const body = { eventKey, site: 'leeds', event, at: new Date(at).toISOString() }
        return async () => {
          created(await house.author.post(`/v1/units/${scene.product}/${serialOf(unit)}/events`, body))
        }
      },
      ask: (unit) => async () => compareUnit(unit, await readUnit(house, scene, unit.unit)),
    }),
  )
  for (const given of scene.given.corrections) happenings.push(...correction(house, scene, given, runIds))
  happenings.push(...instrumentHappenings(house, scene))
  for (const given of scene.given.studies) {
    happenings.push({ at: scene.at(given.askedAt), act: () => studyHttp(house, scene, given, runIds) })
  }
  happenings.push(...(await checksOf(house, scene)))
  happenings.push(...permitsOf(house, scene, digests), ...concessionsOf(house, scene, runIds))
  // What stands at one instant happens in the order written.
  for (const { at, act } of happenings.sort((one, other) => one.at - other.at)) {
    until(at)
    await act()
  }
  await compareBlocked(house, scene)
}

/** A correction by one person, and its confirmation by another where the case has one. */
function correction(house: House, scene: Scene, given: CorrectionCase, runIds: ReadonlyMap<string, string>) {
  const { of, at, confirmedAt, expect: outcome, ...body } = given
  let made: { path: string; digest: string } | undefined
  const correct = async () => {
    const path = `/v1/runs/${runIds.get(of)}/corrections`
    const answer = created(await house.author.post(path, body)).body
    expect(answer).toMatchObject(outcome)
    made = { path: `${path}/${answer.correctionId}/confirmation`, digest: answer.digest }
  }
  const confirm = async () => {
    if (made === undefined) throw new Error(`${of} was not corrected`)
    expected(await house.approver.sign(made.path, { digest: made.digest, meaning: 'read from the photograph' }), 200)
  }
  return [
    { at: scene.at(at), act: correct },
    ...(confirmedAt === undefined ? [] : [{ at: scene.at(confirmedAt), act: confirm }]),
  ]
}

async function confirmProduct({ author, approver }: House, scene: Scene): Promise<void> {
  const path = `/v1/products/${scene.product}/versions`
  const { digest } = created(await author.post(path, { content: productContent(scene) })).body
  expected(await approver.sign(`${path}/1/confirmation`, { digest, meaning: MEANING }), 200)
}

async function publish({ author, approver }: House, content: ReturnType<typeof tableContent>): Promise<void> {
  const path = `/v1/rule-tables/${content.table}/editions`
  const { digest } = created(await author.post(path, { content, changeReason: 'house rules gone through' })).body
  const publication = { digest, effectiveFrom: 'at-once', meaning: MEANING, bindsBecause: 'house rule' }
  expected(await approver.sign(`${path}/${content.edition}/publication`, publication), 200)
}

/** Writes a revision and approves it, as far as the case lets it come. */
async function write(
  { service, author, approver }: House,
  scene: Scene,
  given: RevisionCase,
  productDigest: string,
): Promise<void> {
  const { revision } = given
  const path = `/v1/plans/${scene.plan}/revisions`
  const content = planContent(scene, given, productDigest)
  // An author who may sign, just not this.
  const isSigner = given.signings.some(({ by }) => by === 'author')
  const writer = isSigner ? await service.addPerson(`P-${scene.given.case}`, ['author', 'approver']) : author
  const posted = await writer.post(path, { content, changeReason: 'limits gone through' })
  if (given.refused !== undefined) {
    const { errors } = expected(posted, 422).body
    expect(errors.map(({ pointer }: { pointer: string }) => pointer)).toContain(`#/content${given.refused}`)
    return
  }
  const { digest } = created(posted).body
  const submitted = await submitWithReasons(writer, `${path}/${revision}`, digest)
  // What was blocked from the beginning cannot be submitted; what a later publication blocks is looked at afterwards.
  if (submitted.status === 409) {
    expect(submitted.body.type).toBe('urn:limitkeep:problem:findings-block')
    const { items } = expected(await author.get(`${path}/${revision}/findings`), 200).body
    compareFindings(given, items)
    return
  }
  expected(submitted, 200)
  if (given.isDraft) return
  const approval = { digest, inForceFrom: new Date(scene.at(given.inForceFrom)).toISOString(), meaning: MEANING }
  for (const { by, seen, refused } of signingsOf(given)) {
    const signer = by === 'author' ? writer : approver
    const signed = { ...approval, digest: seen === 'content' ? digest : ANOTHER_DIGEST }
    const answer = await signer.sign(`${path}/${revision}/approval`, signed)
    if (refused === undefined) expected(answer, 200)
    else expect(answer.body.type).toBe(`urn:limitkeep:problem:${refused}`)
  }
  // Signed content is edited by nobody; who wants it otherwise writes another revision.
  const edit = await writer.put(
    `${path}/${revision}`,
    { content, changeReason: 'changed after all' },
    {
      'if-match': `"${digest}"`,
    },
  )
  expect(expected(edit, 409).body.type).toBe('urn:limitkeep:problem:revision-locked')
}

/** The findings of every revision that was submitted, at the end of the day. */
async function compareBlocked({ author }: House, scene: Scene): Promise<void> {
  for (const given of scene.given.revisions) {
    if (given.refused !== undefined) continue
    const path = `/v1/plans/${scene.plan}/revisions/${given.revision}`
    const { state } = expected(await author.get(path), 200).body
    if (state === 'draft') continue
    // An assignment checks at first use, as an upload does.
    await author.get(`/v1/stations/${STATION}/assignment?product=${scene.product}&variant=EX36-3M&operation=final`)
    const { items } = expected(await author.get(`${path}/findings`), 200).body
    compareFindings(given, items)
  }
}

async function readUnit({ author }: House, scene: Scene, unit: string): Promise<UnitFound> {
  const path = `/v1/units/${scene.product}/${serialOf(unit)}`
  const { releasable, reasons, concessions } = expected(await author.get(`${path}/release`), 200).body
  const history = await author.get(path)
  const known = history.status === 404 ? { attempts: [], shipState: 'in-plant' } : expected(history, 200).body
  const attempts: { verdict: string | null; evidence: string | null; correctedFrom: string | null }[] = known.attempts
  return {
    shipState: known.shipState,
    releasable,
    concessions,
    reasons: reasons.map(({ code }: { code: string }) => code),
    verdicts: attempts.map(({ verdict }) => verdict),
    correctedFrom: attempts.map(({ correctedFrom }) => correctedFrom),
    evidences: attempts.map(({ evidence }) => evidence),
    attempts: attempts.length,
  }
}

const STATUSES: Readonly<Record<number, string>> = { 201: 'accepted', 202: 'held', 422: 'rejected', 409: 'conflict' }

// biome-ignore lint/suspicious/noExplicitAny: the schema of each answer is checked by the app itself.
function uploadFound(status: number, body: any): UploadFound {
  const outcome = STATUSES[status] ?? `status ${status}`
  if (outcome !== 'conflict') expect(body.outcome, JSON.stringify(body)).toBe(outcome)
  return {
    outcome,
    codes: body.codes ?? [],
    verdict: body.verdict ?? null,
    steps: body.steps ?? [],
    reasons: body.reasons ?? [],
    repeated: body.repeated ?? false,
    evidence: body.evidence ?? null,
    standing: body.standing ?? null,
    attempt: body.attempt ?? null,
    releasable: body.release?.releasable ?? null,
    skewMs: body.skewMs ?? null,
  }
}
