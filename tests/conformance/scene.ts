import { expect } from 'vitest'
import { contractUpload, planWire, productWire, strengthWire, type Wire } from '../support/aldermoor.ts'
import { instant } from '../support/clock.ts'
import type { ChecksCase, ConformanceCase, EventCase, RevisionCase, TableCase, UnitCase, UploadCase } from './case.ts'

/** What both runners make of a case: contents, uploads, and how answers are compared with what is expected. */

/** The line: a station whose instrument keeps no programs, so that no programming is needed. */
export const STATION = 'LDS-F3'
export const INSTRUMENT = 'INS-0040'
/** Another such line, for cases that check their station: what they ask for holds on. */
export const CHECKED = { station: 'LDS-F4', instrument: 'INS-0041' }
export const PERSON = 'P-0417'
const TEMPLATE_START = instant('2026-03-16T09:14:05.120Z')
const DAY_MS = 86_400_000
const INSTANTS: ReadonlySet<string> = new Set(['startedAt', 'endedAt', 'takenAt'])

export interface Scene {
  readonly given: ConformanceCase
  readonly product: string
  readonly plan: string
  readonly ruleSet: string
  /** Where its units are tested. */
  readonly station: string
  readonly instrument: string
  /** A time of the case's day, in milliseconds since the epoch. */
  at(time: string): number
}

/** `index` picks the day: cases share the line, and time only goes on. */
export function sceneOf(given: ConformanceCase, index: number): Scene {
  const name = given.case.toLowerCase()
  const midnight = instant('2026-03-20T00:00:00.000Z') + index * DAY_MS
  return {
    given,
    product: `EX36-${given.case}`,
    plan: `ex36-${name}`,
    ruleSet: `rules-${name}`,
    ...(given.checks === undefined ? { station: STATION, instrument: INSTRUMENT } : CHECKED),
    at(time) {
      const [hours = '0', minutes = '0', seconds = '0'] = time.split(':')
      return midnight + Math.round((Number(hours) * 3_600 + Number(minutes) * 60 + Number(seconds)) * 1_000)
    },
  }
}

/** A digest of no content. */
export const ANOTHER_DIGEST = `sha256:${'0'.repeat(64)}`

/** Who signs a revision, in their order. */
export function signingsOf({ signings }: RevisionCase): RevisionCase['signings'] {
  return signings.length > 0 ? signings : [{ by: 'second-person', seen: 'content' }]
}

/** Lists without the places that were taken out. */
function compact(value: Wire): Wire {
  if (Array.isArray(value)) return value.filter((item) => item !== undefined).map(compact)
  if (typeof value !== 'object' || value === null) return value
  return Object.fromEntries(Object.entries(value).map(([name, member]) => [name, compact(member)]))
}

/** Replaces members by pointer; null takes one out. */
function withChanges(wire: Wire, changes: Readonly<Record<string, unknown>>): Wire {
  const copy = structuredClone(wire)
  for (const [pointer, value] of Object.entries(changes)) {
    const names = pointer.split('/').slice(1)
    const last = names.pop() ?? ''
    let at = copy
    for (const name of names) at = at?.[name]
    if (at === undefined || at === null) throw new Error(`there is nothing at ${pointer}`)
    if (value === null) delete at[last]
    else at[last] = structuredClone(value)
  }
  return compact(copy)
}

export function productContent({ given, product, ruleSet }: Scene): Wire {
  return withChanges({ ...productWire, product, version: 1, ruleSets: [ruleSet] }, given.product)
}

export function planContent(
  { product, plan }: Scene,
  { revision, changes }: RevisionCase,
  productDigest: string,
): Wire {
  return withChanges({ ...planWire, plan, revision, product, productVersion: 1, productDigest }, changes)
}

export function tableContent({ ruleSet }: Scene, table: TableCase): Wire {
  const rows = table.rows.map((cells, index) => ({
    row: `r${index + 1}`,
    when: cells.slice(0, table.inputs.length),
    then: cells.slice(table.inputs.length),
  }))
  const [source] = strengthWire.sources
  const { at: _, rows: __, overlap: ___, ...head } = table
  return {
    ...head,
    title: 'Aldermoor house rule',
    ruleSet,
    rows,
    sources: [{ ...source, rows: rows.map(({ row }) => row), verification: 'invented' }],
  }
}

/** Tables from the beginning, and those published later in the day. */
export function tablesOf({ given, at }: Scene): { content: TableCase; publishedAt: number }[] {
  const published = given.tables.filter(({ overlap }) => overlap === undefined)
  return published.map((content) => ({ content, publishedAt: at(content.at ?? '05:00') }))
}

export interface Sending {
  readonly upload: UploadCase
  readonly receivedAt: number
  /** As JSON text, so that a case can send what no object holds. */
  readonly wire: Wire
}

/** The uploads in the order of their receipt. */
export function sendingsOf(scene: Scene, digestOf: (revision: number) => string): Sending[] {
  const numbers = new Map(scene.given.uploads.map(({ name }, index) => [name, index + 1]))
  return scene.given.uploads
    .map((upload): Sending => {
      const startedAt = scene.at(upload.startedAt)
      const receivedAt = upload.receivedAt === undefined ? startedAt + 60_000 : scene.at(upload.receivedAt)
      const number = numbers.get(upload.keyOf ?? upload.name)
      if (number === undefined) throw new Error(`there is no upload ${upload.keyOf}`)
      return { upload, receivedAt, wire: uploadWire(scene, { upload, startedAt, receivedAt, number, digestOf }) }
    })
    .sort((one, other) => one.receivedAt - other.receivedAt)
}

interface Made {
  readonly upload: UploadCase
  readonly startedAt: number
  readonly receivedAt: number
  readonly number: number
  readonly digestOf: (revision: number) => string
}

function uploadWire(scene: Scene, { upload, startedAt, receivedAt, number, digestOf }: Made): Wire {
  const shift = startedAt - TEMPLATE_START
  const iso = (at: number) => new Date(at).toISOString()
  const template: Wire = JSON.parse(contractUpload, (member, value) =>
    INSTANTS.has(member) ? iso(instant(value) + shift) : value,
  )
  // The station's own words are for the cases that are about them.
  for (const member of ['attemptCause', 'attemptOf', 'programming', 'stationVerdict']) delete template[member]
  for (const step of template.steps) delete step.stationVerdict
  const key = `${scene.station}:${scene.given.case}-${String(number).padStart(3, '0')}`
  const wire = {
    ...template,
    uploadKey: key,
    sequenceNumber: number,
    sentAt: iso(upload.sentAt === undefined ? receivedAt : scene.at(upload.sentAt)),
    station: scene.station,
    instrument: scene.instrument,
    person: PERSON,
    product: scene.product,
    serial: serialOf(upload.unit),
    plan: scene.plan,
    revision: upload.revision,
    revisionDigest: digestOf(upload.revision),
  }
  // `@10:00:20` is a time of the case's day.
  const changes = Object.entries(upload.changes).map(([pointer, value]) => [
    pointer,
    typeof value === 'string' && value.startsWith('@') ? iso(scene.at(value.slice(1))) : value,
  ])
  return withChanges(wire, Object.fromEntries(changes))
}

/** The serial number of the unit that a case calls by a letter. */
export function serialOf(unit: string): string {
  return `EX36-26-${String(unit.charCodeAt(0)).padStart(6, '0')}`
}

/** What came of an upload, as either runner knows it. */
export interface UploadFound {
  readonly outcome: string
  readonly codes: readonly { readonly code: string; readonly pointer: string | null }[]
  readonly verdict: string | null
  readonly steps: readonly {
    readonly step: string
    readonly verdict: string
    readonly reasons: readonly { readonly code: string }[]
    readonly measurements: readonly Wire[]
  }[]
  readonly reasons: readonly { readonly code: string }[]
  readonly repeated: boolean
  readonly evidence: string | null
  readonly standing: string | null
  readonly attempt: number | null
  readonly releasable: boolean | null
  readonly skewMs: number | null
}

export function compareUpload({ upload }: Sending, found: UploadFound): void {
  const { measurements, codes, pointer, reasons, ...plain } = upload.expect
  expect({ ...plain, upload: upload.name }).toEqual({ ...pick(found, Object.keys(plain)), upload: upload.name })
  if (codes !== undefined) expect(found.codes.map(({ code }) => code).sort(), upload.name).toEqual([...codes].sort())
  if (pointer !== undefined) expect(found.codes.map((one) => one.pointer)).toContain(pointer)
  if (reasons !== undefined) expect(found.reasons.map(({ code }) => code)).toEqual(reasons)
  for (const expected of measurements ?? []) {
    const step = found.steps.find((one) => one.step === expected.step)
    const one =
      expected.measurement === undefined
        ? step
        : step?.measurements.find(({ measurement }) => measurement === expected.measurement)
    if (one === undefined) throw new Error(`${upload.name}: ${expected.step}/${expected.measurement} was not judged`)
    const text = (member: string) => numberText((one as Wire)[member])
    const shown: Wire = { step: expected.step, measurement: expected.measurement }
    if (expected.verdict !== undefined) shown.verdict = one.verdict
    if (expected.reasons !== undefined) shown.reasons = one.reasons.map(({ code }: { code: string }) => code)
    if (expected.facts !== undefined) {
      const facts = Object.assign({}, ...one.reasons.map((reason: Wire) => reason.facts))
      shown.facts = pick(facts, Object.keys(expected.facts))
    }
    for (const member of ['judged', 'limitUpper', 'margin'] as const) {
      if (expected[member] !== undefined) shown[member] = text(member)
    }
    expect(shown, upload.name).toEqual(expected)
  }
}

export function numberText(number: Wire | undefined): string | undefined {
  return (
    number &&
    `${number.relation === '<' || number.relation === '>' ? number.relation : ''}${number.value} ${number.unit}`
  )
}

function pick(from: object, names: readonly string[]): Record<string, unknown> {
  return Object.fromEntries(names.map((name) => [name, (from as Record<string, unknown>)[name]]))
}

/** Each finding expected must be there; of those that block, no other may be. */
export function compareFindings(revision: RevisionCase, found: readonly Wire[]): void {
  for (const expected of [...(revision.blocking ?? []), ...revision.findings]) {
    const { facts, ...members } = expected
    expect(found, `revision ${revision.revision}`).toContainEqual(
      expect.objectContaining(facts === undefined ? members : { ...members, facts: expect.objectContaining(facts) }),
    )
  }
  const codes = (list: readonly { code: string }[]) => [...new Set(list.map(({ code }) => code))].sort()
  const blocking = found.filter(({ severity }) => severity === 'blocking') as { code: string }[]
  expect(codes(blocking), `what blocks revision ${revision.revision}`).toEqual(codes(revision.blocking ?? []))
}

export interface UnitFound {
  readonly correctedFrom: readonly (string | null)[]
  readonly shipState: string
  readonly concessions: readonly string[]
  readonly releasable: boolean
  readonly reasons: readonly string[]
  readonly verdicts: readonly (string | null)[]
  readonly evidences: readonly (string | null)[]
  readonly attempts: number
}

export function compareUnit({ unit, askedAt, ...expected }: UnitCase, found: UnitFound): void {
  expect({ unit, askedAt, ...pick(found, Object.keys(expected)) }).toEqual({ unit, askedAt, ...expected })
}

/** Something that happens to the line, or a question, at its time. */
export interface Happening<Act> {
  readonly at: number
  readonly act: Act
}

/** Events and questions in the terms of the runner, to be sorted among its uploads; questions without a time come last. */
export function happeningsOf<Act>(
  { given, at }: Scene,
  runner: { readonly record: (event: EventCase, at: number) => Act; readonly ask: (unit: UnitCase) => Act },
): Happening<Act>[] {
  return [
    ...given.events.map((event) => ({
      at: at(event.recordedAt ?? event.at),
      act: runner.record(event, at(event.at)),
    })),
    ...given.units.map((unit) => ({ at: at(unit.askedAt ?? '23:59'), act: runner.ask(unit) })),
  ]
}

/** A check with both reference units, as it is sent. */
export function checkResults({ kinds, faultPasses }: ChecksCase['made'][number]) {
  return kinds.flatMap((kind) => [
    { referenceUnit: 'REF-SOUND', kind, found: 'pass' as const },
    { referenceUnit: 'REF-FAULT', kind, found: faultPasses.includes(kind) ? ('pass' as const) : ('fail' as const) },
  ])
}

/** The units affected by a check as a case writes them: letters by ship state, each once. */
export function compareAffected(
  expected: ChecksCase['made'][number]['affected'],
  found: readonly { readonly serial: string; readonly shipState: string }[],
): void {
  const byState: Record<string, string[]> = {}
  for (const { serial, shipState } of found) {
    const letter = String.fromCharCode(Number(serial.slice(-6)))
    byState[shipState] = [...new Set([...(byState[shipState] ?? []), letter])].sort()
  }
  expect(byState).toEqual(expected)
}
