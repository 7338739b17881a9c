import { z } from 'zod'
import { IssuedKeyWire, OneTimeSecretWire, PersonWire, type Role } from '../../access/words.ts'
import { writeInstant } from '../../exact/time.ts'
import {
  CalibrationWire,
  InstrumentAssignmentWire,
  InstrumentWire,
  SiteWire,
  StationWire,
} from '../../stations/words.ts'
import { INSTRUMENT, OPERATOR, STATION, TECHNICIAN } from './bench.ts'
import { type Caller, callerOn, expectAnswer, type Signer, signerOf } from './client.ts'
import type { Narrator } from './narrator.ts'
import { readJsonFile } from './seed.ts'
import type { Shift } from './shift.ts'
import type { Cast } from './stage.ts'

const DAY_MS = 86_400_000

const ENGINEER = 'P-0112'
const MANAGER = 'P-0205'

interface Opening {
  readonly url: string
  readonly administratorToken: string
  readonly shift: Shift
  readonly tell: Narrator
}

/** The plant, its tester, its people and their keys. */
export async function setUpPlant({ url, administratorToken, shift, tell }: Opening): Promise<Cast> {
  tell.scene('The plant is set up')
  const administrator = callerOn(url, administratorToken)
  const daysAgo = (days: number) => writeInstant(shift.beganAt - days * DAY_MS)
  tell.does(
    'The administrator, with the one key that the first start printed, opens the site Leeds and station LDS-F2.',
  )
  const site = { site: 'leeds', name: 'Aldermoor Works, Leeds', timeZone: 'Europe/London', openedAt: daysAgo(900) }
  expectAnswer(await administrator.post('/v1/sites', site), 201, SiteWire)
  const station = { station: STATION, site: 'leeds', name: 'Final test, bay 2', linked: 'automatic' }
  expectAnswer(await administrator.post('/v1/stations', station), 201, StationWire)
  const instrument = expectAnswer(
    await administrator.post('/v1/instruments', await readJsonFile('instrument-ins-0031')),
    201,
    InstrumentWire,
  )
  const placed = { instrument: INSTRUMENT, from: daysAgo(60) }
  expectAnswer(await administrator.post(`/v1/stations/${STATION}/instruments`, placed), 201, InstrumentAssignmentWire)
  const calibration = expectAnswer(
    await administrator.post('/v1/calibrations', {
      calibration: 'CAL-0118',
      instrument: INSTRUMENT,
      performedAt: daysAgo(61),
      dueOn: daysAgo(-304).slice(0, 10),
    }),
    201,
    CalibrationWire,
  )
  const { programs } = instrument.capabilities
  tell.gets(
    `Instrument ${INSTRUMENT} stands there: ${programs?.count} stored programs of ${programs?.stepsEach} steps each, ` +
      `${instrument.capabilities.kinds.length} kinds of test, calibration ${calibration.calibration} is current.`,
  )

  tell.does('Four persons get a key each. Those who sign fetch the secret for their one-time codes themselves, once.')
  const engineer = await addSigner(ENGINEER, 'Ruth Hartley', ['author', 'approver'])
  const manager = await addSigner(MANAGER, 'Daniel Amis', ['approver'])
  const technician = await addPerson(TECHNICIAN, 'Tom Sedgwick', [])
  const operator = await addPerson(OPERATOR, 'Mina Farrow', [])
  tell.gets(
    'Ruth Hartley writes (author, approver), Daniel Amis signs (approver), Tom Sedgwick keys testers, Mina Farrow tests.',
  )
  const stationKey = await issueKey({ kind: 'station', station: STATION })
  tell.gets('The station has a key of its own, which can upload and ask, for this station alone.')
  return { administrator, engineer, manager, technician, operator, station: stationKey }

  async function issueKey(draft: unknown): Promise<Caller> {
    return callerOn(url, expectAnswer(await administrator.post('/v1/keys', draft), 201, IssuedKeyWire).token)
  }

  async function addPerson(person: string, name: string, roles: readonly Role[]): Promise<Caller> {
    expectAnswer(await administrator.post('/v1/persons', { person, name, roles }), 201, PersonWire)
    return issueKey({ kind: 'person', person })
  }

  async function addSigner(person: string, name: string, roles: readonly Role[]): Promise<Signer> {
    const caller = await addPerson(person, name, roles)
    const fetched = await caller.post(`/v1/persons/${person}/one-time-code`, undefined)
    return signerOf(caller, expectAnswer(fetched, 201, OneTimeSecretWire).secret, shift.now)
  }
}

/** A refusal, as every one is shaped. */
export const RefusalWire = z.looseObject({ type: z.string(), status: z.int() })
