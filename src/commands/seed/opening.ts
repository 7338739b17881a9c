import { IssuedKeyWire, OneTimeSecretWire, PersonWire } from '../../access/words.ts'
import { writeInstant } from '../../exact/time.ts'
import { ApprovedRevisionWire, RevisionWire } from '../../plans/record.ts'
import { type PlanContent, PlanContentWire } from '../../plans/words.ts'
import type { FixedClock } from '../../platform/clock.ts'
import { type ProductContent, ProductVersionWire } from '../../products/words.ts'
import { PublishedEditionWire } from '../../rules/impacts.ts'
import { EditionWire } from '../../rules/record.ts'
import {
  CalibrationWire,
  InstrumentAssignmentWire,
  InstrumentWire,
  ProgrammingWire,
  SiteWire,
  StationWire,
} from '../../stations/words.ts'
import { type Caller, callerOn, expectAnswer, type Signer, signerOf } from '../demo/client.ts'
import { type Draft, readDraft, readJsonFile } from '../demo/seed.ts'
import {
  ANALYST,
  CALIBRATED_AT,
  CALIBRATION_DUE_ON,
  ENGINEER,
  LINES,
  MANAGER,
  OPENED_AT,
  OPERATORS,
  PLACED_AT,
  SITES,
  TECHNICIAN,
  type TestLine,
} from './works.ts'

/** A revision in force. */
export interface Approved {
  readonly plan: PlanContent
  readonly revisionDigest: string
}

/** What a station's runs cite from an instant on. */
export interface Citation extends Approved {
  /** Milliseconds since the epoch. */
  readonly from: number
  /** Undefined where the instrument keeps no programs. */
  readonly programming: string | undefined
}

/** A line with its station's key, and what it goes by. */
export interface LineAtWork {
  readonly line: TestLine
  readonly station: Caller
  readonly product: ProductContent
  /** The earliest first. */
  readonly citations: Citation[]
}

/** Who writes and who signs, and the clock they live by. */
export interface House {
  readonly engineer: Signer
  readonly manager: Signer
  readonly clock: FixedClock
}

export interface Works extends House {
  readonly operators: ReadonlyMap<string, Caller>
  readonly lines: readonly LineAtWork[]
  /** The keys by name, as the shell takes them. */
  readonly keys: Readonly<Record<string, string>>
}

const TABLES = [
  'rule-appliance-steps-1',
  'rule-appliance-order-1',
  'rule-appliance-bonding-1',
  'rule-appliance-strength-4',
  'rule-extractor-strength-3',
  'rule-appliance-insulation-1',
  'rule-appliance-touch-1',
] as const
/** What the certificates of all six testers state, invented. */
const UNCERTAINTY = [
  { kind: 'protective-bonding', relative: { value: '1.5', unit: '%' }, expanded: { value: '0.5', unit: 'mOhm' } },
  { kind: 'electric-strength-ac', relative: { value: '2', unit: '%' }, expanded: { value: '0.02', unit: 'mA' } },
]
const BINDS_BECAUSE = 'Demonstration with the invented house rules of Aldermoor Works.'
/** Between one act and the next, so that what is in effect at once is so for the next. */
const ACT_MS = 2_000

/** Brings both plants up over HTTP, by the acts that a real house would do. */
export async function openWorks(at: {
  readonly url: string
  readonly administratorToken: string
  readonly clock: FixedClock
}): Promise<Works> {
  const { url, clock } = at
  const administrator = callerOn(url, at.administratorToken)
  const add = async (path: string, body: unknown, wire: Parameters<typeof expectAnswer>[2]) => {
    expectAnswer(await administrator.post(path, body), 201, wire)
    clock.at += ACT_MS
  }
  const issueKey = async (draft: unknown) => {
    const issued = expectAnswer(await administrator.post('/v1/keys', draft), 201, IssuedKeyWire)
    return callerOn(url, issued.token)
  }
  const addPerson = async (person: {
    readonly person: string
    readonly name: string
    readonly roles: readonly string[]
  }) => {
    await add('/v1/persons', person, PersonWire)
    return issueKey({ kind: 'person', person: person.person })
  }
  const addSigner = async (person: Parameters<typeof addPerson>[0]) => {
    const caller = await addPerson(person)
    const fetched = await caller.post(`/v1/persons/${person.person}/one-time-code`, undefined)
    return signerOf(caller, expectAnswer(fetched, 201, OneTimeSecretWire).secret, () => clock.at)
  }

  for (const site of SITES) await add('/v1/sites', { ...site, openedAt: OPENED_AT }, SiteWire)
  for (const line of LINES) await openStation(line, add)
  const engineer = await addSigner(ENGINEER)
  const manager = await addSigner(MANAGER)
  const analyst = await addPerson(ANALYST)
  await addPerson(TECHNICIAN)
  const operators = new Map<string, Caller>()
  for (const operator of OPERATORS) operators.set(operator.person, await addPerson(operator))

  const house: House = { engineer, manager, clock }
  for (const table of TABLES) await publishEdition(house, await readDraft(table))
  const lines: LineAtWork[] = []
  for (const line of LINES) {
    const product = await confirmProduct(house, await readDraft(line.productDraft))
    const approved = await approveRevision(house, await readDraft(line.planDraft), 'at-once')
    const station = await issueKey({ kind: 'station', station: line.station })
    const floor = { operators, clock }
    const programming = line.hasPrograms ? await keyIn(floor, line, approved, ['1', '2']) : undefined
    lines.push({ line, station, product, citations: [{ from: clock.at, ...approved, programming }] })
  }
  const keys = {
    ADMINISTRATOR_KEY: administrator.token,
    ENGINEER_KEY: engineer.token,
    MANAGER_KEY: manager.token,
    ANALYST_KEY: analyst.token,
    ...Object.fromEntries(lines.map(({ line, station }) => [`${line.station.replace('-', '_')}_KEY`, station.token])),
  }
  return { ...house, operators, lines, keys }
}

async function openStation(
  { station, site, name, instrument, hasPrograms }: TestLine,
  add: (path: string, body: unknown, wire: Parameters<typeof expectAnswer>[2]) => Promise<void>,
): Promise<void> {
  await add('/v1/stations', { station, site, name, linked: 'automatic' }, StationWire)
  const { capabilities } = (await readJsonFile('instrument-ins-0031')) as { capabilities: Record<string, unknown> }
  const able = hasPrograms ? capabilities : { ...capabilities, programs: null }
  await add(
    '/v1/instruments',
    { instrument, name: `Combined safety tester, ${name}`, capabilities: able },
    InstrumentWire,
  )
  await add(`/v1/stations/${station}/instruments`, { instrument, from: PLACED_AT }, InstrumentAssignmentWire)
  const calibration = {
    calibration: `CAL-${instrument}`,
    instrument,
    performedAt: CALIBRATED_AT,
    dueOn: CALIBRATION_DUE_ON,
  }
  await add('/v1/calibrations', { ...calibration, uncertainty: UNCERTAINTY }, CalibrationWire)
}

async function publishEdition({ engineer, manager, clock }: House, draft: Draft): Promise<void> {
  const path = `/v1/rule-tables/${String(draft.content['table'])}/editions`
  const { digest, edition } = expectAnswer(await engineer.post(path, draft), 201, EditionWire)
  const publication = { digest, effectiveFrom: 'at-once', meaning: 'Read and published', bindsBecause: BINDS_BECAUSE }
  expectAnswer(await manager.sign(`${path}/${edition}/publication`, publication), 200, PublishedEditionWire)
  clock.at += ACT_MS
}

async function confirmProduct({ engineer, manager, clock }: House, draft: Draft): Promise<ProductContent> {
  const path = `/v1/products/${String(draft.content['product'])}/versions`
  const { digest, version } = expectAnswer(await engineer.post(path, draft), 201, ProductVersionWire)
  const confirmation = { digest, meaning: 'Read against the drawing and confirmed' }
  const signed = await manager.sign(`${path}/${version}/confirmation`, confirmation)
  clock.at += ACT_MS
  return expectAnswer(signed, 200, ProductVersionWire).content
}

/** Writes, submits and approves a revision. `inForceFrom` is an instant, or `at-once`. */
export async function approveRevision(
  { engineer, manager, clock }: House,
  draft: Draft,
  inForceFrom: string,
): Promise<Approved> {
  const path = `/v1/plans/${String(draft.content['plan'])}/revisions`
  const { digest, revision } = expectAnswer(await engineer.post(path, draft), 201, RevisionWire)
  expectAnswer(await engineer.post(`${path}/${revision}/submission`, { digest }), 200, RevisionWire)
  const approval = { digest, inForceFrom, meaning: 'Compared with the house rules and approved' }
  expectAnswer(await manager.sign(`${path}/${revision}/approval`, approval), 200, ApprovedRevisionWire)
  clock.at += ACT_MS
  return { plan: PlanContentWire.parse(draft.content), revisionDigest: digest }
}

/** The technician has keyed the revision into these programs; the line's operator reads it back and records it. */
export async function keyIn(
  { operators, clock }: Pick<Works, 'operators' | 'clock'>,
  line: TestLine,
  { plan, revisionDigest }: Approved,
  programs: readonly string[],
): Promise<string> {
  const operator = operators.get(line.operator)
  if (operator === undefined) throw new Error(`${line.operator} works nowhere`)
  const programming = `PG-${line.instrument}-${plan.revision}`
  const recorded = await operator.post('/v1/programmings', {
    programming,
    station: line.station,
    instrument: line.instrument,
    programs,
    plan: plan.plan,
    revision: plan.revision,
    revisionDigest,
    keyedBy: TECHNICIAN.person,
    readBackBy: line.operator,
    at: writeInstant(clock.at),
  })
  expectAnswer(recorded, 201, ProgrammingWire)
  clock.at += ACT_MS
  return programming
}
