import { createPerson, issueKey } from '../../src/access/acts.ts'
import type { MachineActor, PersonActor, Role } from '../../src/access/words.ts'
import { writeInstant } from '../../src/exact/time.ts'
import { approveRevision } from '../../src/plans/acts/approve.ts'
import { createRevision, submitRevision } from '../../src/plans/acts/draft.ts'
import { liftBlocks } from '../../src/plans/acts/lift.ts'
import { cancelRevision, withdrawRevision } from '../../src/plans/acts/stop.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import type { Database } from '../../src/platform/database/pool.ts'
import { confirmVersion, createVersion } from '../../src/products/acts.ts'
import { ProductContentWire } from '../../src/products/words.ts'
import { createEdition, publishEdition } from '../../src/rules/acts.ts'
import { cancelEdition } from '../../src/rules/acts-stop.ts'
import { EditionContentWire } from '../../src/rules/words.ts'
import {
  assignInstrument,
  createInstrument,
  createSite,
  createStation,
  recordCalibration,
} from '../../src/stations/acts.ts'
import { insertKeys } from '../support/keys.ts'

/**
 * A factory with one table and one kind of test, so that whether a revision conforms is one comparison of two numbers:
 * the least bonding current that it accepts, and the least that the edition in effect demands. All numbers are invented.
 */

const person = (key: string, roles: readonly Role[]): PersonActor => ({
  kind: 'person',
  key: `k-${key}`,
  person: key,
  roles,
})
const administrator = person('P-0001', ['administrator'])
const author = person('P-0100', ['author'])
const approver = person('P-0101', ['approver'])
const technician = 'P-0417'

export const products = ['bench-centrifuge', 'garden-shredder'] as const
export type ProductName = (typeof products)[number]
export const sites = ['leeds', 'osaka'] as const

export interface Station {
  readonly site: string
  readonly station: string
  readonly instrument: string
  readonly actor: MachineActor
}

/** A revision that was approved, as a station may know it. */
export interface KnownRevision {
  readonly product: ProductName
  readonly plan: string
  readonly revision: number
  readonly digest: string
  readonly inForceFrom: number
}

const OPENED = '2020-01-01T00:00:00.000Z'

/** Sites, stations with calibrated instruments, keys, and products that are confirmed. */
export async function buildFactory(
  database: Database,
): Promise<{ stations: Station[]; digests: Map<ProductName, string> }> {
  await insertKeys(database, [administrator, author, approver])
  await createPerson(database, administrator, { person: technician, name: 'Technician', roles: [] })
  const stations: Station[] = []
  for (const site of sites) {
    await createSite(database, administrator, { site, name: site, timeZone: 'UTC', openedAt: OPENED })
    for (const number of [1, 2]) {
      const station = `${site}-F${number}`
      const instrument = `INS-${site}-${number}`
      await createStation(database, administrator, { station, site, name: station, linked: 'automatic' })
      const kinds = [{ kind: 'protective-bonding' as const }]
      await createInstrument(database, administrator, { instrument, name: instrument, capabilities: { kinds } })
      await assignInstrument(database, administrator, station, { instrument, from: OPENED })
      await recordCalibration(database, administrator, {
        calibration: `CAL-${instrument}`,
        instrument,
        performedAt: OPENED,
        dueOn: '2099-12-31',
      })
      const { key } = await issueKey(database, administrator, { kind: 'station', station })
      stations.push({ site, station, instrument, actor: { kind: 'station', key, site, stations: [station] } })
    }
  }
  const digests = new Map<ProductName, string>()
  for (const product of products) {
    const content = ProductContentWire.parse({
      product,
      version: 1,
      name: product,
      attributes: {
        protectionClass: 'I',
        functionalEarth: false,
        phases: 1,
        ratedVoltage: { value: '230', unit: 'V' },
        ratedFrequency: { value: '50', unit: 'Hz' },
        insulations: [{ between: ['live', 'protective-conductor'], insulation: 'basic' }],
        earthedParts: ['housing'],
      },
      serialRule: { pattern: '^[A-Z]{1,4}[0-9]{1,10}$', letters: 'upper', trim: true },
      ruleSets: ['routine'],
      operationsRequired: ['final'],
    })
    const made = await createVersion({ database }, author, product, { content })
    const confirmation = { digest: made.digest, meaning: 'as built' }
    await confirmVersion({ database }, approver, made, confirmation)
    digests.set(product, made.digest)
  }
  return { stations, digests }
}

export const TABLE = 'bonding-current'

/** Publishes the next edition: at least so many amperes, at once (0) or so many milliseconds ahead. */
export async function publish(database: Database, edition: number, least: number, aheadMs: number): Promise<void> {
  const content = EditionContentWire.parse({
    table: TABLE,
    edition,
    title: 'Least bonding current',
    ruleSet: 'routine',
    subject: 'protective-bonding',
    hitPolicy: 'U',
    inputs: [{ attribute: 'protectionClass', type: 'string' }],
    outputs: [{ parameter: 'testCurrent', relation: '>=', unit: 'A' }],
    rows: [{ row: 'r1', when: ['"I"'], then: [String(least)] }],
    sources: [
      { rows: ['r1'], document: 'HR-1', documentEdition: '1', clause: '1', use: 'routine', verification: 'invented' },
    ],
  })
  const made = await createEdition({ database }, author, TABLE, { content, changeReason: 'race' })
  await publishEdition({ database }, approver, made, {
    digest: made.digest,
    effectiveFrom: instantAhead(aheadMs),
    meaning: 'in effect',
    bindsBecause: 'house rule',
  })
}

export function planOf(product: ProductName): string {
  return `${product}-final`
}

/** Writes, submits and approves a revision that accepts so many amperes and more. Throws the Problem that refuses it. */
export async function approve(
  database: Database,
  asked: { product: ProductName; productDigest: string; revision: number; least: number; aheadMs: number },
): Promise<KnownRevision> {
  const { product, revision } = asked
  const plan = planOf(product)
  const content = PlanContentWire.parse({
    plan,
    revision,
    operation: 'final',
    product,
    productVersion: 1,
    productDigest: asked.productDigest,
    evidenceFrom: 'one-run',
    attemptsWithoutCauseMax: 2,
    runDurationMax: { value: '600', unit: 's' },
    decisionRule: { kind: 'simple' },
    rounding: { kind: 'absolute' },
    steps: [
      {
        step: 'bond',
        kind: 'protective-bonding',
        required: true,
        after: [],
        testCurrent: { least: String(asked.least), most: '40', unit: 'A' },
        sourceVoltage: { most: '12', unit: 'V' },
        dwell: { least: '1', unit: 's' },
        method: 'four-wire',
        limitUpper: { value: '100', unit: 'mOhm', inclusive: true },
        measurements: [{ measurement: 'housing', from: ['plug-earth-pin'], to: ['housing'] }],
      },
    ],
  })
  const services = { database }
  const { digest } = await createRevision(services, author, plan, { content, changeReason: 'race' })
  const key = { plan, revision }
  await submitRevision(services, author, key, { digest })
  const approval = { digest, inForceFrom: instantAhead(asked.aheadMs), meaning: 'fit for use' }
  const { inForceFrom } = await approveRevision(services, approver, key, approval)
  return { product, plan, revision, digest, inForceFrom: Date.parse(inForceFrom ?? '') }
}

export function withdraw(database: Database, key: { plan: string; revision: number }): Promise<unknown> {
  return withdrawRevision({ database }, approver, key, { reason: 'race' })
}

/** Takes a revision back before its instant. Throws the Problem that refuses it, as where the instant has come. */
export function cancel(database: Database, key: { plan: string; revision: number }): Promise<unknown> {
  return cancelRevision({ database }, author, key, { reason: 'race' })
}

/** Takes an edition back before its instant. */
export function cancelPublished(database: Database, edition: number): Promise<unknown> {
  return cancelEdition({ database }, author, { table: TABLE, edition }, { reason: 'race' })
}

/** Lifts blocks of revisions from now on, as far as no finding stands against them; gives how many were lifted. */
export async function lift(database: Database, revisions: readonly KnownRevision[]): Promise<number> {
  const named = revisions.map(({ plan, revision, digest }) => ({ plan, revision, digest }))
  const lifting = { meaning: 'fit for use', reason: 'race', revisions: named }
  const answer = await liftBlocks({ database }, approver, lifting)
  return answer.revisions.filter(({ lifted }) => lifted).length
}

function instantAhead(aheadMs: number): string {
  return aheadMs === 0 ? 'at-once' : writeInstant(Date.now() + aheadMs)
}

/** The bytes of a run of one bonding step that began at `startedAt`, as a station sends it now. */
export function runBytes(
  station: Station,
  revision: KnownRevision,
  asked: { number: number; startedAt: number },
): Buffer {
  const { number, startedAt } = asked
  const end = writeInstant(startedAt + 2)
  const run = {
    uploadKey: `${station.station}:${number}`,
    sequenceNumber: number,
    sentAt: writeInstant(Date.now()),
    station: station.station,
    instrument: station.instrument,
    person: technician,
    source: 'instrument',
    purpose: 'production',
    product: revision.product,
    serial: `${station.site === 'leeds' ? 'L' : 'O'}${station.station.at(-1)}${number}`,
    plan: revision.plan,
    revision: revision.revision,
    revisionDigest: revision.digest,
    startedAt: writeInstant(startedAt),
    endedAt: end,
    steps: [
      {
        step: 'bond',
        startedAt: writeInstant(startedAt),
        endedAt: end,
        measurements: [
          {
            measurement: 'housing',
            termination: 'completed',
            testCurrent: { value: '35', unit: 'A' },
            dwell: { value: '1.5', unit: 's' },
            reading: { quantity: 'resistance', value: '55', unit: 'mOhm' },
          },
        ],
      },
    ],
  }
  return Buffer.from(JSON.stringify(run))
}
