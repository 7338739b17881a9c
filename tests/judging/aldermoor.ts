/**
 * Aldermoor Works, invented: its product, plan and upload as they stand in the wire shapes, and the facts of its site
 * Leeds around them. All numbers fit together and are invented; they are no limits for a real product.
 */

import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import { readQuantity } from '../../src/exact/quantity.ts'
import { readInstant } from '../../src/exact/time.ts'
import type { AdmitContext } from '../../src/judging/admit.ts'
import { type CompiledRevision, compileRevision } from '../../src/judging/compile.ts'
import {
  emptyFacts,
  type Fact,
  type FactKey,
  type Facts,
  needsOf,
  productFact,
  type RevisionFact,
  withFacts,
} from '../../src/judging/facts.ts'
import { judge } from '../../src/judging/judge.ts'
import type { Judgement, MeasurementJudgement } from '../../src/judging/judgement.ts'
import {
  type Measured,
  type Stresses,
  stressNames,
  type Upload,
  type UploadMeasurement,
  type UploadReading,
  type UploadStep,
} from '../../src/judging/words.ts'
import { type PlanContent, PlanContentWire } from '../../src/plans/words.ts'
import { NO_CHECKS } from '../../src/stations/station-check.ts'
import { contractUpload, ex36, planWire, type Wire } from '../support/aldermoor.ts'

export type { Wire }

/** The upload of one EX36-3M, as sent. A fresh copy at every call. */
export const uploadWire = (): Wire => JSON.parse(contractUpload)

export const plan: PlanContent = PlanContentWire.parse(planWire)

/** The plan after a change, through its schema. */
export function changedPlan(change: (wire: Wire) => void): PlanContent {
  const wire = structuredClone(planWire)
  change(wire)
  return PlanContentWire.parse(wire)
}

export function compiled(content: PlanContent = plan, variant = 'EX36-3M'): CompiledRevision {
  const made = compileRevision(content, variant)
  if ('missing' in made) throw new Error(`no limit for ${variant}`)
  return made
}

export function instant(text: string): number {
  const read = readInstant(text)
  if (!('at' in read)) throw new Error(`${text}: ${read.refused}`)
  return read.at
}

function measuredOf(wire: Wire): Measured {
  const read = readQuantity(wire)
  if ('noReading' in read) return 'no-reading'
  if ('refused' in read) throw new Error(`${JSON.stringify(wire)}: ${read.refused}`)
  return read.quantity
}

function stressesOf(wire: Wire): Stresses {
  const stresses: { -readonly [Name in keyof Stresses]: Stresses[Name] } = {}
  for (const name of stressNames) if (wire[name]) stresses[name] = measuredOf(wire[name])
  return stresses
}

/** Only those of the named members that are there. */
function pick(wire: Wire, ...names: string[]): Wire {
  return Object.fromEntries(names.filter((name) => wire[name] !== undefined).map((name) => [name, wire[name]]))
}

function readingOf(wire: Wire): UploadReading {
  return { ...pick(wire, 'quantity', 'detector', 'text'), value: measuredOf(wire) }
}

function measurementOf(wire: Wire): UploadMeasurement {
  return {
    ...pick(wire, 'measurement', 'termination', 'stationVerdict', 'network', 'conformity'),
    stress: stressesOf(wire),
    ...(wire.reading && { reading: readingOf(wire.reading) }),
  }
}

function stepOf(wire: Wire): UploadStep {
  const { leadOffset } = wire
  return {
    ...pick(wire, 'step', 'stationVerdict', 'network'),
    startedAt: instant(wire.startedAt),
    endedAt: instant(wire.endedAt),
    stress: stressesOf(wire),
    ...(leadOffset && {
      leadOffset: {
        ...pick(leadOffset, 'person', 'subtractedBy'),
        value: measuredOf(leadOffset),
        takenAt: instant(leadOffset.takenAt),
      },
    }),
    measurements: wire.measurements.map(measurementOf),
  }
}

/** The wire upload as the judge takes it. */
export function uploadOf(wire: Wire): Upload {
  return {
    ...pick(wire, 'uploadKey', 'sequenceNumber', 'startedAgoMs', 'station', 'instrument', 'programming', 'person'),
    ...pick(wire, 'source', 'purpose', 'product', 'variant', 'serial', 'plan', 'revision', 'revisionDigest'),
    ...pick(wire, 'attemptCause', 'attemptOf', 'replaces', 'stationVerdict'),
    sentAt: instant(wire.sentAt),
    startedAt: instant(wire.startedAt),
    endedAt: instant(wire.endedAt),
    steps: wire.steps.map(stepOf),
  }
}

/** The example upload after a change. */
export function changedUpload(change: (wire: Wire) => void = () => {}): Upload {
  const wire = uploadWire()
  change(wire)
  return uploadOf(wire)
}

/** A step of the wire upload, or of the wire plan. */
export function stepIn(wire: Wire, key: string): Wire {
  return wire.steps.find((step: Wire) => step.step === key)
}

export function withoutStationWords(wire: Wire): void {
  delete wire.stationVerdict
  for (const step of wire.steps) delete step.stationVerdict
}

/** Judges the example upload after changes to it and to the plan; stations' own words are taken out first. */
export function judged(
  change: (upload: Wire) => void = () => {},
  changePlan: (plan: Wire) => void = () => {},
): Judgement {
  const upload = changedUpload((wire) => {
    withoutStationWords(wire)
    change(wire)
  })
  return judge(upload, compiled(changedPlan(changePlan)))
}

export function measurementOfRun(run: Judgement, step: string, measurement: string): MeasurementJudgement {
  const found = run.steps.find((one) => one.step === step)?.measurements.find((one) => one.measurement === measurement)
  if (found === undefined) throw new Error(`${step}/${measurement} was not judged`)
  return found
}

export function codesOf({ reasons }: { readonly reasons: readonly { readonly code: string }[] }): string[] {
  return reasons.map(({ code }) => code)
}

// ------------------------------------------------------------------------------------------------ the site's facts

/** Payloads, section 5: when the example was received. */
export const RECEIVED = instant('2026-03-16T09:14:39.930Z')
export const OPENED = instant('2020-01-01T00:00:00Z')
const LONG_AGO = instant('2026-01-05T08:00:00Z')
/** When revision 7 came into force. */
export const IN_FORCE_FROM = instant('2026-03-16T05:00:00Z')
export const KEYED_AT = instant('2026-03-16T05:40:00Z')
export const PLAN_DIGEST = digestOf(canonicalText(planWire))

export const context: AdmitContext = {
  receivedAt: RECEIVED,
  actor: { kind: 'station', stations: ['LDS-F2'] },
  pointerRoot: '',
}

export const revisionFact: RevisionFact = {
  kind: 'revision',
  plan: 'ex36-final',
  revision: 7,
  digest: PLAN_DIGEST,
  state: 'approved',
  content: plan,
  permits: [],
  withdrawnFrom: null,
  approvedAt: IN_FORCE_FROM - 1,
  inForce: [
    { variant: 'EX36-3M', from: IN_FORCE_FROM, until: null },
    { variant: 'EX36-5M', from: IN_FORCE_FROM, until: null },
  ],
  check: {
    applied: [{ from: IN_FORCE_FROM, until: null, editions: ['appliance-strength/4', 'extractor-strength/2'] }],
    blocks: [],
  },
}

const assignment = {
  station: 'LDS-F2',
  instrument: 'INS-0031',
  from: LONG_AGO,
  until: null,
  recordedAt: LONG_AGO,
}

export const baseFacts = {
  'site/leeds': { kind: 'site', site: 'leeds', timeZone: 'Europe/London', openedAt: OPENED },
  'key/K-1': { kind: 'key', key: 'K-1', revokedAt: null, stations: ['LDS-F2'] },
  'station/LDS-F2': {
    kind: 'station',
    station: 'LDS-F2',
    site: 'leeds',
    linked: 'automatic',
    assignments: [assignment],
    checks: NO_CHECKS,
  },
  'instrument/INS-0031': {
    kind: 'instrument',
    instrument: 'INS-0031',
    programs: { count: 20, stepsEach: 5 },
    assignments: [assignment],
    calibrations: [
      {
        calibration: 'CAL-2026-0118',
        instrument: 'INS-0031',
        performedAt: LONG_AGO,
        dueOn: '2027-01-05',
        uncertainty: [],
        recordedAt: LONG_AGO,
      },
    ],
  },
  'programming/PG-0192': {
    kind: 'programming',
    programming: {
      programming: 'PG-0192',
      station: 'LDS-F2',
      instrument: 'INS-0031',
      programs: ['3', '4'],
      plan: 'ex36-final',
      revision: 7,
      revisionDigest: PLAN_DIGEST,
      at: KEYED_AT,
      recordedAt: KEYED_AT,
      ending: null,
    },
    others: [],
  },
  'person/P-0417': { kind: 'person', person: 'P-0417' },
  'product/EX36': productFact('EX36', [
    {
      product: 'EX36',
      version: 3,
      digest: plan.productDigest,
      effectiveFrom: LONG_AGO,
      rulesVersion: 2,
      publishedAt: LONG_AGO - 1,
      content: ex36(),
    },
  ]),
  'revision/ex36-final/7': revisionFact,
} as const satisfies Partial<Record<FactKey, Fact>>

export type BaseFacts = { -readonly [Key in keyof typeof baseFacts]: Fact | null }

/** The site's facts, some replaced; everything else that an upload may name is not there. */
export function factsFor(upload: Upload, replaced: Partial<Record<FactKey, Fact | null>> = {}): Facts {
  const known = new Map<FactKey, Fact | null>(Object.entries({ ...baseFacts, ...replaced }) as [FactKey, Fact | null][])
  const needs = needsOf(upload, { site: 'leeds', key: 'K-1' })
  return withFacts(
    emptyFacts('leeds', { version: 41, rulesVersion: 9 }),
    needs.map((need) => [need, known.get(need) ?? null] as const),
  )
}
