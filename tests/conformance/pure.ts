import { expect } from 'vitest'
import { withCorrection } from '../../src/corrections/corrections.ts'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { readQuantity } from '../../src/exact/quantity.ts'
import { type Decided, decideReceived, needsOfReceived, type Received } from '../../src/intake/decided.ts'
import { readUpload } from '../../src/intake/read-upload.ts'
import { attemptRow } from '../../src/intake/rows.ts'
import type { StoredUpload } from '../../src/intake/stored.ts'
import type { Decision } from '../../src/judging/decide.ts'
import { emptyFacts, type Fact, type FactKey, type Facts, productFact, withFacts } from '../../src/judging/facts.ts'
import { judge } from '../../src/judging/judge.ts'
import type { Upload } from '../../src/judging/words.ts'
import { checkPrepared, type RevisionCheck } from '../../src/plans/check.ts'
import { checkPlanContent } from '../../src/plans/content-check.ts'
import { blockDemand } from '../../src/plans/findings.ts'
import { prepareRevision } from '../../src/plans/prepare.ts'
import { type PublishedTable, ruleTimeline } from '../../src/plans/rule-timeline.ts'
import { type Block, stepBlocks } from '../../src/plans/step-blocks.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import type { ConfirmedVersion } from '../../src/products/versions.ts'
import { ProductContentWire } from '../../src/products/words.ts'
import { compileTable } from '../../src/rules/compile-table.ts'
import { EditionContentWire } from '../../src/rules/words.ts'
import { NO_CHECKS } from '../../src/stations/station-check.ts'
import { type FoldedUnit, type FoldPolicy, foldUnit } from '../../src/units/fold.ts'
import type { UnitHistory } from '../../src/units/reads.ts'
import { needsOfAttempt, worthOf } from '../../src/units/support.ts'
import type { CorrectionCase, RevisionCase } from './case.ts'
import { compareAllAffected, stationAsKnown } from './checks-pure.ts'
import { concede, permitFacts, type UsesLeft, useLeave, usesOf } from './leave-pure.ts'
import {
  CHECKED,
  compareFindings,
  compareUnit,
  compareUpload,
  type Happening,
  happeningsOf,
  PERSON,
  planContent,
  productContent,
  type Scene,
  type Sending,
  STATION,
  sendingsOf,
  serialOf,
  tableContent,
  tablesOf,
  type UploadFound,
} from './scene.ts'
import { studyPure, withInstruments } from './studies-pure.ts'

const actor = { kind: 'station', key: 'K-1', site: 'leeds', stations: [STATION, CHECKED.station] } as const
const LONG_AGO = Date.parse('2026-01-05T00:00:00Z')

/** A revision of the case with its check and its blocks, as a house at the end of the day has them. */
interface Revision {
  readonly given: RevisionCase
  readonly digest: string
  readonly fact: Fact | null
  readonly check: RevisionCheck | undefined
}

/** Runs a case by the functions that decide, with no database. */
export function runPure(scene: Scene): void {
  const product = confirmed(scene)
  const tables = tablesOf(scene).map(({ content, publishedAt }, index): PublishedTable => {
    const edition = EditionContentWire.parse(tableContent(scene, content))
    const compiled = compileTable(edition)
    if ('refusals' in compiled) throw new Error(JSON.stringify(compiled.refusals))
    return {
      table: edition.table,
      edition: edition.edition,
      effectiveFrom: publishedAt + 1,
      rulesVersion: index + 2,
      publishedAt,
      bindsBecause: 'house rule',
      compiled: compiled.table,
    }
  })
  const revisions = new Map(
    scene.given.revisions.map((given) => [given.revision, revisionOf(scene, given, product, tables)]),
  )
  for (const { given, check } of revisions.values()) {
    if (check !== undefined) compareFindings(given, check.findings)
  }
  const facts = withInstruments(scene, factsOf(scene, product, revisions))
  const histories = new Map<string, UnitHistory>()
  const first = new Map<string, { digest: string; found: UploadFound }>()
  const digestOfRevision = (revision: number) => revisions.get(revision)?.digest ?? `sha256:${'0'.repeat(64)}`
  const house: House = { scene, uses: usesOf(scene), facts, histories, first, decisions: new Map() }
  const happenings: Happening<() => void>[] = [
    ...sendingsOf(scene, digestOfRevision).map((sending) => ({
      at: sending.receivedAt,
      act: () => compareUpload(sending, receive(scene, sending, house)),
    })),
    ...happeningsOf<() => void>(scene, {
      record:
        ({ unit, event }, at) =>
        () => {
          const { events } = historyOf(house, serialOf(unit))
          const eventId = String(events.length)
          events.push({ eventId, site: 'leeds', event, at, recordedAt: at, eventKey: eventId, ...NO_WORDS })
        },
      ask: (unit) => () =>
        compareUnit(
          unit,
          unitFound(foldOf(house, historyOf(house, serialOf(unit.unit)), scene.at(unit.askedAt ?? '23:59'))),
        ),
    }),
  ]
  for (const given of scene.given.corrections) {
    let correct = () => {}
    happenings.push({
      at: scene.at(given.at),
      act: () => {
        correct = correction(given, house)
      },
    })
    if (given.confirmedAt !== undefined) happenings.push({ at: scene.at(given.confirmedAt), act: () => correct() })
  }
  for (const given of scene.given.studies) {
    const at = scene.at(given.askedAt)
    happenings.push({ at, act: () => studyPure(scene, given, { ...askable(house, revisions, at), tables, product }) })
  }
  for (const given of scene.given.concessions) {
    happenings.push({ at: scene.at(given.at), act: () => concede(scene, given, house) })
  }
  for (const { act } of happenings.sort((one, other) => one.at - other.at)) act()
  for (const { permit, used } of scene.given.permits) {
    if (used !== undefined) expect(house.uses.taken(permit), permit).toBe(used)
  }
  const endOfDay = scene.at('23:59')
  compareAllAffected(
    scene,
    [...histories].map(([serial, history]) => ({
      serial,
      folded: foldOf(house, history, endOfDay),
      facts: factsKnown(house, endOfDay, [...facts.keys()]),
    })),
  )
}

/** What a study asks: the runs judged so far, and the contents that they can be judged by again. */
function askable(house: House, revisions: ReadonlyMap<number, Revision>, now: number) {
  return {
    runs: [...house.decisions].map(([name, { upload, decision, serial }]) => ({
      name,
      upload,
      decision,
      shipState: foldOf(house, historyOf(house, serial), now).shipState,
    })),
    contentOf(revision: number) {
      const fact = revisions.get(revision)?.fact
      if (fact?.kind !== 'revision') throw new Error(`there is no revision ${revision}`)
      return fact.content
    },
  }
}

/** Judges an upload again with another number; gives what puts the correction into effect. */
function correction(given: CorrectionCase, { decisions, histories }: House): () => void {
  const known = decisions.get(given.of)
  const to = readQuantity(given.to)
  if (known === undefined || !('quantity' in to)) throw new Error(`${given.of} cannot be corrected`)
  const { upload, decision, serial } = known
  if (decision.admission.compiled === null || decision.verdict === null) throw new Error(`${given.of} was not judged`)
  const verdictAfter = judge(withCorrection(upload, given, to.quantity), decision.admission.compiled).verdict
  const verdictBefore = decision.verdict
  expect({ verdictBefore, verdictAfter, inEffect: verdictBefore === verdictAfter }, given.of).toEqual(given.expect)
  return () => {
    const attempts = histories.get(serial)?.attempts ?? []
    const index = attempts.findIndex(({ runId }) => runId === upload.uploadKey)
    const attempt = attempts[index]
    if (attempt === undefined) throw new Error(`${given.of} has no attempt`)
    attempts[index] = { ...attempt, verdict: verdictAfter, correctedFrom: attempt.verdict }
  }
}

const NO_WORDS = { reason: null, reference: null, recordedBy: 'P-0101' }

function historyOf({ histories }: House, serial: string): UnitHistory {
  const history = histories.get(serial) ?? { attempts: [], events: [] }
  histories.set(serial, history)
  return history
}

function confirmed(scene: Scene): ConfirmedVersion {
  const wire = productContent(scene)
  return {
    product: scene.product,
    version: 1,
    digest: digestOf(canonicalText(wire)),
    effectiveFrom: LONG_AGO,
    rulesVersion: 1,
    publishedAt: LONG_AGO - 1,
    content: ProductContentWire.parse(wire),
  }
}

function revisionOf(
  scene: Scene,
  given: RevisionCase,
  product: ConfirmedVersion,
  tables: readonly PublishedTable[],
): Revision {
  const wire = planContent(scene, given, product.digest)
  const digest = digestOf(canonicalText(wire))
  if (given.refused !== undefined) {
    const read = PlanContentWire.safeParse(wire)
    const pointers = read.success
      ? checkPlanContent(read.data, product.content).map(({ pointer }) => pointer)
      : read.error.issues.map(({ path }) => `/${path.join('/')}`)
    expect(pointers, `revision ${given.revision}`).toContain(given.refused)
    return { given, digest, fact: null, check: undefined }
  }
  const content = PlanContentWire.parse(wire)
  expect(checkPlanContent(content, product.content)).toEqual([])
  const read = prepareRevision(content)
  if ('refused' in read) throw new Error(read.refused)
  const from = scene.at(given.inForceFrom)
  // Version by version, as ensureChecked does.
  let blocks: Block[] = []
  let check: RevisionCheck | undefined
  for (const [index, version] of [1, ...tables.map(({ rulesVersion }) => rulesVersion)].entries()) {
    check = checkPrepared(read.prepared, { versions: [product], timeline: ruleTimeline(tables, version), from })
    const publishedAt = index === 0 ? LONG_AGO : (tables[index - 1]?.publishedAt ?? LONG_AGO)
    blocks = stepBlocks(blocks, blockDemand(check.findings, from), { version, publishedAt })
  }
  if (given.isDraft) return { given, digest, fact: null, check }
  const next = scene.given.revisions
    .filter(({ isDraft, refused, inForceFrom }) => !isDraft && refused === undefined && scene.at(inForceFrom) > from)
    .map(({ inForceFrom }) => scene.at(inForceFrom))
  const until = next.length === 0 ? null : Math.min(...next)
  const variants = content.steps.length === 0 ? [] : (product.content.variants ?? [{ variant: '' }])
  const fact: Fact = {
    kind: 'revision',
    plan: scene.plan,
    revision: given.revision,
    digest,
    state: 'approved',
    content,
    approvedAt: scene.at('05:30'),
    inForce: variants.map(({ variant }) => ({ variant, from, until })),
    permits: permitFacts(scene, { content, timeline: ruleTimeline(tables, tables.length + 1), product }),
    check: { applied: [], blocks },
  }
  return { given, digest, fact, check }
}

function factsOf(
  scene: Scene,
  product: ConfirmedVersion,
  revisions: ReadonlyMap<number, Revision>,
): ReadonlyMap<FactKey, Fact | null> {
  const { station, instrument } = scene
  const assignment = { station, instrument, from: LONG_AGO, until: null, recordedAt: LONG_AGO }
  const calibration = {
    calibration: 'CAL-2026-0119',
    instrument,
    performedAt: LONG_AGO,
    dueOn: '2026-12-31',
    uncertainty: [],
    recordedAt: LONG_AGO,
  }
  const facts = new Map<FactKey, Fact | null>([
    ['site/leeds', { kind: 'site', site: 'leeds', timeZone: 'Europe/London', openedAt: LONG_AGO }],
    ['key/K-1', { kind: 'key', key: 'K-1', revokedAt: null, stations: [station] }],
    [
      `station/${station}`,
      {
        kind: 'station',
        station,
        site: 'leeds',
        linked: 'automatic',
        assignments: [assignment],
        checks: NO_CHECKS,
      },
    ],
    [
      `instrument/${instrument}`,
      {
        kind: 'instrument',
        instrument,
        programs: null,
        assignments: [assignment],
        calibrations: [calibration],
      },
    ],
    [`person/${PERSON}`, { kind: 'person', person: PERSON }],
    [`product/${scene.product}`, productFact(scene.product, [product])],
  ])
  for (const [revision, { fact }] of revisions) facts.set(`revision/${scene.plan}/${revision}`, fact)
  return facts
}

interface House {
  readonly scene: Scene
  readonly uses: UsesLeft
  readonly facts: ReadonlyMap<FactKey, Fact | null>
  readonly histories: Map<string, UnitHistory>
  readonly first: Map<string, { digest: string; found: UploadFound }>
  /** By the name of the upload. */
  readonly decisions: Map<string, { upload: Upload; decision: Decision; serial: string }>
}

function receive(scene: Scene, { upload: { name }, wire, receivedAt }: Sending, house: House): UploadFound {
  const { first } = house
  const raw = Buffer.from(JSON.stringify(wire), 'utf8')
  const read = readUpload(raw)
  if (read.kind === 'unreadable') throw new Error(read.message)
  const known = first.get(wire.uploadKey)
  // What the unique key of the table does: the first content stays, the same content gets the first answer.
  if (known !== undefined && known.digest === read.digest) return { ...known.found, repeated: true }
  if (known !== undefined) return { ...NOTHING, outcome: 'conflict' }
  const received: Received = { actor, read, raw, receivedAt, runId: wire.uploadKey }
  const loaded = factsKnown(house, receivedAt, needsOfReceived(received))
  const plainly = decideReceived(received, loaded)
  const decided = useLeave(scene, house.uses, plainly)
  const stored = { site: 'leeds', receivedAt, runId: wire.uploadKey, uploadKey: wire.uploadKey, product: scene.product }
  const attempt = attemptRow(received, decided, stored as StoredUpload)
  const history = historyOf(house, decided.serial ?? '')
  if (attempt !== undefined) history.attempts.push(attempt)
  if (decided.decision !== null && read.kind === 'read') {
    house.decisions.set(name, { upload: read.upload, decision: decided.decision, serial: decided.serial ?? '' })
  }
  const found = uploadFound(decided, wire.uploadKey, foldOf(house, history, receivedAt))
  first.set(wire.uploadKey, { digest: read.digest, found })
  return found
}

const NOTHING: UploadFound = {
  outcome: 'rejected',
  codes: [],
  verdict: null,
  steps: [],
  reasons: [],
  repeated: false,
  evidence: null,
  standing: null,
  attempt: null,
  releasable: null,
  skewMs: null,
}

/** The facts named, as they were known at an instant. */
function factsKnown({ scene, facts }: House, now: number, needs: readonly FactKey[]): Facts {
  return withFacts(
    emptyFacts('leeds', { version: 1, rulesVersion: 99 }),
    needs.map((need) => {
      const fact = facts.get(need) ?? null
      return [need, fact?.kind === 'station' ? stationAsKnown(scene, fact, now) : fact] as const
    }),
  )
}

function foldOf(house: House, { attempts, events }: UnitHistory, now: number): FoldedUnit {
  const policy: FoldPolicy = {
    operationsRequired: ['final'],
    worthOf: (attempt) => worthOf(factsKnown(house, now, needsOfAttempt(attempt)), attempt),
  }
  return foldUnit(attempts, policy, events)
}

function uploadFound({ outcome, codes, decision }: Decided, runId: string, folded: FoldedUnit): UploadFound {
  const own = folded.attempts.find(({ attempt }) => attempt.runId === runId)
  const isResult = outcome !== 'rejected'
  return {
    outcome,
    codes: [...codes, ...(own?.codes ?? [])].map(({ code, pointer }) => ({
      code,
      pointer: pointer === undefined ? null : `#${pointer}`,
    })),
    verdict: decision?.verdict ?? null,
    steps: decision?.judgement?.steps ?? [],
    reasons: decision?.judgement?.reasons ?? [],
    repeated: false,
    evidence: isResult ? (own?.evidence ?? null) : null,
    standing: own?.standing ?? outcome,
    attempt: isResult ? (own?.number ?? null) : null,
    releasable: isResult ? folded.release.releasable : null,
    skewMs: decision?.admission.skewMs ?? null,
  }
}

function unitFound({ attempts, shipState, release }: FoldedUnit) {
  return {
    shipState,
    concessions: release.concessions.map((name) => `${name}`),
    releasable: release.releasable,
    reasons: release.reasons.map(({ code }) => code),
    verdicts: attempts.map(({ attempt }) => attempt.verdict),
    correctedFrom: attempts.map(({ attempt }) => attempt.correctedFrom),
    attempts: attempts.length,
    evidences: attempts.map(({ evidence }) => evidence),
  }
}
