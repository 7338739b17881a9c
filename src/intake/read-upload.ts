import { digestOf } from '../exact/canonical.ts'
import { type JsonValue, NumberText, readJson } from '../exact/json.ts'
import { type Quantity, readQuantity } from '../exact/quantity.ts'
import { readInstant } from '../exact/time.ts'
import {
  type CodeFacts,
  type CodeFound,
  type Measured,
  type ReadingCode,
  type Stresses,
  stressNames,
  type Upload,
  type UploadMeasurement,
  type UploadStep,
} from '../judging/words.ts'
import { plainIssue } from '../platform/plain-issues.ts'
import { pointerOf } from '../platform/problems.ts'
import { type Claim, claimOf } from './claim.ts'
import { type MeasuredWire, UploadWire } from './words.ts'

/** What the bytes of an upload turned out to be. */
export type UploadRead =
  /** No JSON object at all: 400, kept in the reject log without a key. */
  | { readonly kind: 'unreadable'; readonly code: string; readonly offset: number; readonly message: string }
  /** An object with fields that are wrong, each with its code and RFC 6901 pointer. */
  | { readonly kind: 'refused'; readonly codes: readonly CodeFound[]; readonly digest: string; readonly claim: Claim }
  | {
      readonly kind: 'read'
      readonly upload: Upload
      readonly wire: UploadWire
      readonly digest: string
      readonly claim: Claim
    }

/** Stamped anew at each sending, so they lie outside the content digest (design promise 6). */
const STAMPED: ReadonlySet<string> = new Set(['sentAt', 'startedAgoMs'])
const CODES_MAX = 100

/**
 * Reads one upload from its bytes: strict JSON, then the schema, then every number, unit and instant exactly. All that
 * is wrong is collected. The digest is taken over the RFC 8785 text without `sentAt` and `startedAgoMs`.
 */
export function readUpload(bytes: Uint8Array): UploadRead {
  const json = readJson(bytes, { omit: STAMPED })
  if (!json.ok) return { kind: 'unreadable', code: json.code, offset: json.offset, message: json.message }
  if (!isObject(json.value)) {
    return { kind: 'unreadable', code: 'not-an-object', offset: 0, message: 'an upload is one JSON object' }
  }
  const digest = digestOf(json.canonical)
  const claim = claimOf(json.value)
  const codes: CodeFound[] = json.refusals.map(({ code, pointer }) => ({
    code: code === 'duplicate-member' ? code : 'field-invalid',
    pointer,
    facts: { detail: REFUSED_TEXT[code] },
  }))
  if (json.canonical.includes('"__proto__":')) codes.push(...protoMembers(json.value, []))
  const parsed = UploadWire.safeParse(json.value, { error: plainIssue })
  if (!parsed.success) {
    for (const issue of parsed.error.issues) codes.push(...codesOfIssue(issue, json.value))
    return { kind: 'refused', codes: codes.slice(0, CODES_MAX).map(storable), digest, claim }
  }
  const reader = new Reader(codes)
  const upload = reader.upload(parsed.data)
  if (codes.length > 0) return { kind: 'refused', codes: codes.slice(0, CODES_MAX).map(storable), digest, claim }
  return { kind: 'read', upload, wire: parsed.data, digest, claim }
}

const REFUSED_TEXT = {
  'duplicate-member': 'the member occurs twice in its object',
  'text-invalid': 'the text holds NUL or half of a surrogate pair',
  'number-too-long': 'the number has more than 30 significant digits',
} as const

/**
 * Members of this name in open records: Zod leaves them out without a word, and dropping what was sent is worse than
 * refusing it. Elsewhere they are unknown members, and the schema says so.
 */
function protoMembers(value: JsonValue, path: readonly string[]): CodeFound[] {
  if (typeof value !== 'object' || value === null || value instanceof NumberText) return []
  return Object.entries(value).flatMap(([member, inner]: [string, JsonValue]) =>
    member === '__proto__' && OPEN_RECORDS.has(path.at(-1) ?? '')
      ? [
          {
            code: 'field-invalid' as const,
            pointer: pointerOf([...path, member]),
            facts: { detail: 'a member cannot have this name' },
          },
        ]
      : protoMembers(inner, [...path, member]),
  )
}

const OPEN_RECORDS: ReadonlySet<string> = new Set(['extra', 'componentLots'])
const UNSTORABLE = /[\0\p{Cs}]/gu
const POINTER_LENGTH_MAX = 300

/**
 * A code as it can be stored and looked for: what the sender wrote stands in it (names of members, texts that are no
 * number), and the database takes neither NUL nor half of a surrogate pair. Both are shown as U+FFFD.
 */
function storable({ code, pointer, facts }: CodeFound): CodeFound {
  const clean = (text: string) => text.replace(UNSTORABLE, '\ufffd')
  const cleaned = Object.fromEntries(Object.entries(facts).map(([name, text]) => [name, clean(text)]))
  if (pointer === undefined) return { code, facts: cleaned }
  const isLong = pointer.length > POINTER_LENGTH_MAX
  const shown = isLong ? `${pointer.slice(0, POINTER_LENGTH_MAX)}\u2026` : pointer
  return { code, pointer: clean(shown), facts: cleaned }
}

function isObject(value: JsonValue): value is { [member: string]: JsonValue } {
  return typeof value === 'object' && value !== null && !Array.isArray(value) && !(value instanceof NumberText)
}

interface SchemaIssue {
  readonly code?: string
  readonly path: readonly PropertyKey[]
  readonly message: string
  readonly keys?: readonly string[]
}

/** One schema issue as codes: unknown members each by their own pointer, and the codes that have a name of their own. */
function codesOfIssue(issue: SchemaIssue, root: JsonValue): CodeFound[] {
  const path = issue.path.map(String)
  if (issue.code === 'unrecognized_keys' && issue.keys !== undefined) {
    return issue.keys.map((key) => ({
      code: 'field-invalid',
      pointer: pointerOf([...path, key]),
      facts: { detail: 'there is no such member' },
    }))
  }
  const value = valueAt(root, path)
  const member = path.at(-1)
  const code =
    member === 'serial' && value !== undefined && typeof value !== 'string' ? 'serial-not-text' : 'field-invalid'
  return [
    {
      code,
      pointer: pointerOf(path),
      facts: { detail: value === undefined ? 'the member is missing' : issue.message },
    },
  ]
}

function valueAt(root: JsonValue, path: readonly string[]): JsonValue | undefined {
  let value: JsonValue | undefined = root
  for (const token of path) {
    if (typeof value !== 'object' || value === null || value instanceof NumberText) return undefined
    value = Object.hasOwn(value, token) ? (value as { [member: string]: JsonValue })[token] : undefined
  }
  return value ?? undefined
}

/**
 * Reads the exact parts of an upload whose form is right, and collects what is wrong with them. Each object is one
 * literal with all its members, absent ones undefined: judging is several times faster on objects of one shape.
 */
class Reader {
  private readonly codes: CodeFound[]

  constructor(codes: CodeFound[]) {
    this.codes = codes
  }

  upload(wire: UploadWire): Upload {
    if (wire.ambient) {
      this.measured(wire.ambient.temperature, '/ambient/temperature', 'temperature')
      this.measured(wire.ambient.relativeHumidity, '/ambient/relativeHumidity', 'ratio')
    }
    return {
      uploadKey: wire.uploadKey,
      sequenceNumber: wire.sequenceNumber,
      sentAt: this.instant(wire.sentAt, '/sentAt'),
      startedAgoMs: wire.startedAgoMs ?? undefined,
      station: wire.station,
      instrument: wire.instrument,
      programming: wire.programming ?? undefined,
      person: wire.person,
      source: wire.source,
      purpose: wire.purpose,
      product: wire.product,
      variant: wire.variant ?? undefined,
      serial: wire.serial,
      plan: wire.plan,
      revision: wire.revision,
      revisionDigest: wire.revisionDigest,
      attemptCause: wire.attemptCause ?? undefined,
      attemptOf: wire.attemptOf ?? undefined,
      replaces: wire.replaces ?? undefined,
      stationVerdict: wire.stationVerdict ?? undefined,
      startedAt: this.instant(wire.startedAt, '/startedAt'),
      endedAt: this.instant(wire.endedAt, '/endedAt'),
      steps: wire.steps.map((step, index) => this.step(step, `/steps/${index}`)),
    }
  }

  private step(wire: UploadWire['steps'][number], pointer: string): UploadStep {
    const offset = wire.leadOffset
    return {
      step: wire.step,
      startedAt: this.instant(wire.startedAt, `${pointer}/startedAt`),
      endedAt: this.instant(wire.endedAt, `${pointer}/endedAt`),
      stationVerdict: wire.stationVerdict ?? undefined,
      network: wire.network ?? undefined,
      leadOffset: offset
        ? {
            value: this.quantity(offset, `${pointer}/leadOffset`),
            takenAt: this.instant(offset.takenAt, `${pointer}/leadOffset/takenAt`),
            person: offset.person,
            subtractedBy: offset.subtractedBy,
          }
        : undefined,
      stress: this.stress(wire, pointer),
      measurements: wire.measurements.map((one, index) => this.measurement(one, `${pointer}/measurements/${index}`)),
    }
  }

  private measurement(wire: UploadWire['steps'][number]['measurements'][number], pointer: string): UploadMeasurement {
    const reading = wire.reading
    return {
      measurement: wire.measurement,
      termination: wire.termination,
      stationVerdict: wire.stationVerdict ?? undefined,
      network: wire.network ?? undefined,
      stress: this.stress(wire, pointer),
      reading: reading
        ? {
            quantity: reading.quantity,
            detector: reading.detector ?? undefined,
            value: this.quantity(reading, `${pointer}/reading`),
            text: reading.text ?? undefined,
          }
        : undefined,
      conformity: wire.conformity ?? undefined,
    }
  }

  private stress(
    wire: { readonly [Name in (typeof stressNames)[number]]?: MeasuredWire | null | undefined },
    pointer: string,
  ): Stresses {
    const stress: { [Name in (typeof stressNames)[number]]?: Measured } = {}
    for (const name of stressNames) {
      const value = wire[name]
      if (value !== undefined && value !== null) stress[name] = this.quantity(value, `${pointer}/${name}`)
    }
    return stress
  }

  /** A measured number whose dimension no plan says. */
  private measured(wire: MeasuredWire | null | undefined, pointer: string, dimension: Quantity['dimension']): void {
    if (wire === undefined || wire === null) return
    const value = this.quantity(wire, pointer)
    if (value !== 'no-reading' && value.dimension !== dimension) {
      this.refuse('field-invalid', `${pointer}/unit`, { detail: `the unit is not one of ${dimension}` })
    }
  }

  private quantity(wire: MeasuredWire, pointer: string): Measured {
    const read = readQuantity(wire)
    if ('quantity' in read) return read.quantity
    if ('refused' in read) {
      const member = read.member === '' ? pointer : `${pointer}/${read.member}`
      const { unit, value } = wire
      this.refuse(read.refused, member, read.member === 'unit' ? given('unit', unit) : given('value', value))
    }
    return 'no-reading'
  }

  private instant(text: string, pointer: string): number {
    const read = readInstant(text)
    if ('at' in read) return read.at
    this.refuse(read.refused, pointer, {
      detail:
        'must be RFC 3339, such as 2026-03-16T09:14:05.120+00:00, with T between date and time and a colon in the offset',
      received: text,
    })
    return 0
  }

  private refuse(code: ReadingCode | 'field-invalid', pointer: string, facts: CodeFacts): void {
    this.codes.push({ code, pointer, facts })
  }
}

/** The text that is at fault, for the sentence; nothing where there is none. */
function given(name: 'unit' | 'value', text: string | null | undefined): CodeFacts {
  return text === null || text === undefined || text === '' ? {} : { [name]: text }
}
