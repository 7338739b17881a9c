import { canonicalText } from '../exact/canonical.ts'
import { formatDecimal } from '../exact/decimal.ts'
import { readQuantity } from '../exact/quantity.ts'
import { skewOf } from '../judging/admit-clock.ts'
import type { CompiledMeasurement } from '../judging/compile.ts'
import type { WrittenNumber } from '../judging/limit.ts'
import type { StressName, UploadMeasurement, UploadStep } from '../judging/words.ts'
import { leafHash, ledgerRow, merkleRoot } from '../ledger/entry.ts'
import { stepResults } from '../units/step-evidence.ts'
import type { Decided, Received } from './decided.ts'
import type { AttemptRow, EntryRow, KeyRow, ReadingRow, RunRow, UploadRow } from './port.ts'
import { type JudgementText, judgedOf, type LineFault, type StoredUpload } from './stored.ts'

/** The database holds no year before 0001; such an instant stands in the raw bytes alone. */
const YEAR_ONE = -62_135_596_800_000

/** What the rows of one upload say, gathered once. */
export function storedOf(received: Received, decided: Decided): StoredUpload {
  const { read, actor, receivedAt, runId, batch } = received
  const { claim } = read
  const admission = decided.decision?.admission
  return {
    runId,
    site: actor.site,
    station: decided.station,
    uploadKey: claim.uploadKey ?? null,
    outcome: decided.outcome,
    codes: decided.codes,
    contentDigest: read.digest,
    receivedAt,
    skewMs:
      admission?.skewMs ?? (claim.sentAt === undefined ? null : skewOf(claim.sentAt, receivedAt, batch?.arrivingFrom)),
    startedAt: claim.startedAt ?? null,
    stationVerdict: claim.stationVerdict ?? null,
    startedAtUsed: decided.startedAt,
    product: claim.product ?? null,
    serial: decided.serial ?? claim.serial ?? null,
    judged: decided.decision === null ? null : judgedOf(decided.decision, claim.variant ?? ''),
  }
}

/** The row that keeps the bytes of an upload, whatever became of it. */
export function uploadRow(received: Received, stored: StoredUpload): UploadRow {
  const { claim } = received.read
  const { judged } = stored
  return {
    site: stored.site,
    receivedAt: stored.receivedAt,
    uploadId: stored.runId,
    station: claim.station ?? null,
    uploadKey: stored.uploadKey,
    sequenceNumber: claim.sequenceNumber ?? null,
    sender: received.actor.key,
    sentAt: storable(claim.sentAt),
    skewMs: stored.skewMs,
    ...batchOf(received),
    raw: received.raw,
    contentDigest: stored.contentDigest,
    outcome: stored.outcome,
    status: statusOf(stored.outcome),
    codes: JSON.stringify(stored.codes),
    product: stored.product,
    serial: stored.serial,
    plan: claim.plan ?? null,
    revision: claim.revision ?? null,
    startedAt: stored.startedAtUsed,
    judgement: judged !== null && stored.startedAtUsed === null ? JSON.stringify(judged) : null,
    fault: null,
    firstUploadId: null,
    firstReceivedAt: null,
  }
}

/**
 * The row of a line of a batch whose key and content were there before: it keeps no bytes and points to the first
 * upload, whose answer is its answer.
 */
export function repeatRow(received: Received, stored: StoredUpload, first: KeyRow, status: number): UploadRow {
  return {
    ...uploadRow(received, stored),
    raw: Buffer.alloc(0),
    outcome: 'repeated',
    status,
    codes: '[]',
    startedAt: null,
    judgement: null,
    firstUploadId: first.uploadId,
    firstReceivedAt: first.receivedAt,
  }
}

/** The row of bytes that became no run, without a key: they spoil none. */
export function keptRow(
  received: Pick<Received, 'actor' | 'raw' | 'receivedAt' | 'runId' | 'batch'>,
  kept: { readonly outcome: 'unreadable' | 'failed'; readonly status: number; readonly fault: LineFault | null },
): UploadRow {
  const { actor, raw, receivedAt, runId } = received
  return {
    site: actor.site,
    receivedAt,
    uploadId: runId,
    station: actor.kind === 'station' ? (actor.stations[0] ?? null) : null,
    uploadKey: null,
    sequenceNumber: null,
    sender: actor.key,
    sentAt: null,
    skewMs: null,
    ...batchOf(received),
    raw,
    contentDigest: null,
    outcome: kept.outcome,
    status: kept.status,
    codes: '[]',
    product: null,
    serial: null,
    plan: null,
    revision: null,
    startedAt: null,
    judgement: null,
    fault: kept.fault === null ? null : JSON.stringify(kept.fault),
    firstUploadId: null,
    firstReceivedAt: null,
  }
}

function batchOf({ batch }: Pick<Received, 'batch'>): Pick<UploadRow, 'batchId' | 'line'> {
  return { batchId: batch?.batchId ?? null, line: batch?.line ?? null }
}

/** 201 accepted, 202 held, 422 rejected: the first answer's status, which every repeat gets again. */
export function statusOf(outcome: StoredUpload['outcome']): 201 | 202 | 422 {
  return outcome === 'accepted' ? 201 : outcome === 'held' ? 202 : 422
}

function storable(at: number | undefined): number | null {
  return at === undefined || at < YEAR_ONE ? null : at
}

/** The row of a run: what was accepted or held with a start that can be placed. Undefined for all else. */
export function runRow(received: Received, stored: StoredUpload, rulesVersion: number): RunRow | undefined {
  const { read } = received
  const { judged, startedAtUsed, outcome } = stored
  if (read.kind !== 'read' || judged === null || startedAtUsed === null || outcome === 'rejected') return undefined
  const { upload, wire } = read
  const text: JudgementText = { reasons: judged.reasons, steps: judged.steps }
  return {
    site: stored.site,
    startedAt: startedAtUsed,
    runId: stored.runId,
    receivedAt: stored.receivedAt,
    station: upload.station,
    uploadKey: upload.uploadKey,
    sequenceNumber: upload.sequenceNumber,
    outcome,
    purpose: upload.purpose,
    source: upload.source,
    product: upload.product,
    variant: judged.variant,
    serial: stored.serial ?? upload.serial,
    operation: judged.operation,
    plan: judged.plan,
    revision: judged.revision,
    revisionDigest: judged.revisionDigest,
    productVersion: judged.productVersion,
    rulesVersion,
    editions: judged.editions,
    decisionRule: judged.decisionRule,
    instrument: upload.instrument,
    calibration: judged.calibration,
    programming: upload.programming ?? null,
    person: upload.person,
    startedAtSent: upload.startedAt,
    endedAt: upload.endedAt,
    verdict: judged.verdict,
    stationVerdict: judged.stationVerdict,
    attemptCause: upload.attemptCause ?? null,
    attemptOf: upload.attemptOf ?? null,
    jobOrder: wire.jobOrder ?? null,
    materialLot: wire.materialLot ?? null,
    componentLots: wire.componentLots ? canonicalText(wire.componentLots) : null,
    ambient: wire.ambient ? canonicalText(wire.ambient) : null,
    judgement: JSON.stringify(text),
  }
}

/** One row per planned measurement that was sent, in canonical units, with the limits it was judged by. */
export function readingRows(received: Received, decided: Decided, run: RunRow): ReadingRow[] {
  const { read } = received
  const { decision } = decided
  if (read.kind !== 'read' || decision === null || decision.judgement === null) return []
  const compiled = decision.admission.compiled
  if (compiled === null) return []
  const rows: ReadingRow[] = []
  for (const [index, planned] of compiled.steps.entries()) {
    const judgedStep = decision.judgement.steps[index]
    const step = read.upload.steps.find((one) => one.step === planned.step)
    if (step === undefined || judgedStep === undefined) continue
    for (const [place, measurement] of planned.measurements.entries()) {
      const sent = step.measurements.find((one) => one.measurement === measurement.measurement)
      const judged = judgedStep.measurements[place]
      if (sent === undefined || judged === undefined) continue
      rows.push({
        site: run.site,
        startedAt: run.startedAt,
        runId: run.runId,
        step: planned.step,
        measurement: measurement.measurement,
        kind: planned.kind,
        termination: sent.termination,
        verdict: judged.verdict,
        ...readingOf(sent),
        judged: judged.judged === undefined ? null : judgedCanonical(judged.judged),
        testVoltage: stressOf(step, sent, 'testVoltage') ?? stressOf(step, sent, 'supplyVoltage'),
        testCurrent: stressOf(step, sent, 'testCurrent'),
        dwell: stressOf(step, sent, 'dwell') ?? stressOf(step, sent, 'readAt'),
        frequency: stressOf(step, sent, 'frequency'),
        residualVoltage: stressOf(step, sent, 'residualVoltage'),
        ...limitsOf(measurement),
      })
    }
  }
  return rows
}

function readingOf({
  reading,
  conformity,
}: UploadMeasurement): Pick<ReadingRow, 'quantity' | 'detector' | 'value' | 'relation' | 'unit' | 'text'> {
  const value = reading === undefined || reading.value === 'no-reading' ? null : reading.value
  return {
    quantity: reading?.quantity ?? null,
    detector: reading?.detector ?? null,
    value: value === null ? null : formatDecimal(value.value),
    relation: value?.relation ?? null,
    unit: value?.unit ?? null,
    // What the station showed; where it sent no text, the digits as received, or the word of who looked.
    text: reading?.text ?? value?.text ?? conformity ?? null,
  }
}

function stressOf(step: UploadStep, measurement: UploadMeasurement, name: StressName): string | null {
  const value = measurement.stress[name] ?? step.stress[name]
  return value === undefined || value === 'no-reading' ? null : formatDecimal(value.value)
}

function judgedCanonical(judged: WrittenNumber): string | null {
  const read = readQuantity(judged)
  return 'quantity' in read ? formatDecimal(read.quantity.value) : null
}

function limitsOf(measurement: CompiledMeasurement): Pick<ReadingRow, 'limitLower' | 'limitUpper' | 'openLeadMinimum'> {
  const { limitLower, limitUpper, openLeadMinimum } = measurement
  return {
    limitLower: limitLower === null ? null : formatDecimal(limitLower.value),
    limitUpper: limitUpper === null ? null : formatDecimal(limitUpper.value),
    openLeadMinimum: openLeadMinimum === null ? null : formatDecimal(openLeadMinimum.value),
  }
}

/**
 * The row of a unit's history: of every accepted or held run, and of a rejected upload that reported a failure of a
 * unit which can be named. A start that cannot be placed stands at the receipt. Bad news is kept also where the upload
 * key cannot be read, or the station is left out by a key that speaks for one alone.
 */
export function attemptRow(received: Received, decided: Decided, stored: StoredUpload): AttemptRow | undefined {
  const { claim } = received.read
  const { actor } = received
  const { serial } = decided
  // Where it claims to come from: bad news counts, also from a sender that may not speak for the station.
  const station = claim.station ?? (actor.kind === 'station' ? actor.stations[0] : undefined)
  const { product } = stored
  if (station === undefined || serial === null || product === null) return undefined
  const { reportedFailure } = claim
  if (decided.outcome === 'rejected' && !reportedFailure) return undefined
  return {
    site: stored.site,
    product,
    serial,
    startedAt: decided.startedAt ?? stored.receivedAt,
    sequenceNumber: claim.sequenceNumber ?? 0,
    runId: stored.runId,
    receivedAt: stored.receivedAt,
    station,
    uploadKey: stored.uploadKey ?? '',
    outcome: decided.outcome,
    codes: [...new Set(decided.codes.map(({ code }) => code))],
    purpose: claim.purpose ?? 'production',
    verdict: decided.decision?.verdict ?? null,
    correctedFrom: null,
    concession: null,
    operation: decided.operation,
    variant: claim.variant ?? null,
    plan: claim.plan ?? null,
    revision: claim.revision ?? null,
    instrument: claim.instrument ?? null,
    programming: received.read.kind === 'read' ? (received.read.upload.programming ?? null) : null,
    person: received.read.kind === 'read' ? received.read.upload.person : null,
    attemptCause: claim.attemptCause ?? null,
    reportedFailure,
    steps: stepsOf(decided),
  }
}

/** What each step came to, where the plan takes evidence from steps; a rejected upload has no results. */
function stepsOf({ decision }: Decided): AttemptRow['steps'] {
  const content = decision?.admission.revision?.content
  if (!decision?.judgement || content?.evidenceFrom !== 'steps') return null
  const { steps, stationVerdict } = decision.judgement
  return stepResults(
    content.steps,
    steps.map(({ verdict }) => verdict),
    stationVerdict,
  )
}

/**
 * The row of a failure that was reported under a key used before: the first upload under the key stays, but bad news is
 * never lost. Undefined where no failure was reported.
 */
export function conflictAttemptRow(received: Received, decided: Decided, stored: StoredUpload): AttemptRow | undefined {
  if (!received.read.claim.reportedFailure) return undefined
  const row = attemptRow(received, decided, stored)
  return row && { ...row, outcome: 'rejected', codes: [], verdict: null, steps: null }
}

/** One ledger entry for a whole commit: each upload by id, digest and outcome, and the RFC 6962 root over them. */
export function entryRow(site: string, recordedAt: number, entryId: string, uploads: readonly UploadRow[]): EntryRow {
  const listed = uploads.map(({ uploadId, contentDigest, outcome, sender }) => ({
    uploadId,
    contentDigest,
    outcome,
    sender,
  }))
  const root = merkleRoot(listed.map((one) => leafHash(Buffer.from(canonicalText(one), 'utf8'))))
  const facts = { uploads: listed, root: `sha256:${root.toString('hex')}` }
  return {
    site,
    recordedAt,
    entryId,
    ...ledgerRow({
      entryId,
      recordedAt,
      action: 'uploadRuns',
      by: 'service',
      key: null,
      subject: `sites/${site}`,
      facts,
    }),
  }
}
