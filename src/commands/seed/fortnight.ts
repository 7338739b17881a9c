import { writeInstant } from '../../exact/time.ts'
import { BatchLineWire } from '../../intake/batch-words.ts'
import type { FixedClock } from '../../platform/clock.ts'
import { readDraft, reviseDraft } from '../demo/seed.ts'
import { chanceOf } from './chance.ts'
import { approveRevision, keyIn, type LineAtWork, type Works } from './opening.ts'
import { type Run, runSteps } from './readings.ts'
import { dateOf, hourAt, LINE_BEGINS, type LineState, planDay, shiftOf, type Visit } from './shifts.ts'
import type { Count } from './tally.ts'
import { DAYS, HAPPENINGS, TECHNICIAN } from './works.ts'

const HOUR_MS = 3_600_000
const MINUTE_MS = 60_000
/** So long after the end of an hour its runs are sent. */
const SENDING_MS = 3 * MINUTE_MS
/** So long after the shift the network is back. */
const OUTAGE_MS = 2 * HOUR_MS
/** The leads are measured before the shift begins. */
const LEADS_BEFORE_MS = 20 * MINUTE_MS

/** Something that happens at an instant: what was tested is sent, or somebody acts. */
interface Happening {
  readonly at: number
  readonly act: () => Promise<void>
}

/** Lives through the fortnight, in the order of instants across both plants. */
export async function playFortnight(works: Works, count: Count): Promise<void> {
  const { clock } = works
  const states = new Map<string, LineState>()
  for (let day = 0; day < DAYS; day += 1) {
    const happenings: Happening[] = []
    for (const atWork of works.lines) {
      const { line } = atWork
      const { visits, after } = planDay(line, day, states.get(line.station) ?? LINE_BEGINS)
      states.set(line.station, after)
      happenings.push(...sendings({ atWork, day, visits, clock, count }))
    }
    if (day === HAPPENINGS.revision.day) happenings.push(await changeOfRevision(works, day))
    // One after the other: the scripted clock only ever goes forward.
    for (const { at, act } of happenings.sort((one, other) => one.at - other.at)) {
      clock.at = Math.max(clock.at, at)
      await act()
    }
  }
}

interface Sending {
  readonly atWork: LineAtWork
  readonly day: number
  readonly visits: readonly Visit[]
  readonly clock: FixedClock
  readonly count: Count
}

/** What a line tested in an hour is sent when the hour is over; after a day without network, all of it in the evening. */
function sendings({ atWork, day, visits, clock, count }: Sending): Happening[] {
  const { line } = atWork
  const shift = shiftOf(line, day)
  if (shift === undefined) return []
  const { outage } = HAPPENINGS
  const isOffline = line.station === outage.station && day === outage.day
  const byHour = new Map<number, Visit[]>()
  for (const visit of visits) {
    const hour = Math.floor((visit.startedAt - shift.from) / HOUR_MS)
    byHour.set(hour, [...(byHour.get(hour) ?? []), visit])
  }
  return [...byHour].map(([hour, tested]) => ({
    // The last run of the hour may end after it.
    at: isOffline ? shift.to + OUTAGE_MS : shift.from + (hour + 1) * HOUR_MS + SENDING_MS,
    act: () =>
      send(
        atWork,
        tested.map((visit) => runOf(atWork, visit, shift.from)),
        clock,
        count,
      ),
  }))
}

function runOf(atWork: LineAtWork, visit: Visit, shiftFrom: number): Run {
  const { line, product } = atWork
  const current = atWork.citations.findLastIndex(({ from }) => from <= visit.startedAt)
  const cited = atWork.citations[visit.citesPrevious ? current - 1 : current]
  if (cited === undefined) throw new Error(`${line.station} has nothing to test with`)
  const { plan, revisionDigest, programming } = cited
  const chance = chanceOf(`${line.station} ${visit.sequenceNumber}`)
  const { steps, endedAt, isGood } = runSteps(
    {
      plan,
      product,
      variant: visit.variant,
      condition: visit.condition,
      startedAt: visit.startedAt,
      leadOffset: { takenAt: shiftFrom - LEADS_BEFORE_MS, person: TECHNICIAN.person },
    },
    chance,
  )
  // Warmer and drier towards the afternoon; both plants keep their halls within bounds.
  const hours = (visit.startedAt - shiftFrom) / HOUR_MS
  return {
    format: 'run/1',
    uploadKey: `${line.station}:${String(visit.sequenceNumber).padStart(7, '0')}`,
    sequenceNumber: visit.sequenceNumber,
    station: line.station,
    instrument: line.instrument,
    ...(programming === undefined ? {} : { programming }),
    person: visit.person,
    source: 'instrument',
    purpose: 'production',
    product: line.product,
    ...(visit.variant === '' ? {} : { variant: visit.variant }),
    serial: visit.serial,
    plan: plan.plan,
    revision: plan.revision,
    revisionDigest,
    ...(visit.filterLot === undefined ? {} : { componentLots: { 'mains-filter': visit.filterLot } }),
    ...(visit.attemptCause === undefined ? {} : { attemptCause: visit.attemptCause }),
    startedAt: writeInstant(visit.startedAt),
    endedAt: writeInstant(endedAt),
    stationVerdict: isGood ? 'pass' : 'fail',
    ambient: {
      temperature: { value: (chance.about(19.5, 0.8) + hours * 0.4).toFixed(1), unit: 'Cel' },
      relativeHumidity: { value: (chance.about(48, 4) - hours * 0.6).toFixed(0), unit: '%' },
    },
    steps,
  }
}

/** Sends runs as one batch, with `sentAt` stamped now, and counts what was answered. */
async function send({ station }: LineAtWork, runs: readonly Run[], clock: FixedClock, count: Count): Promise<void> {
  const sentAt = writeInstant(clock.at)
  const lines = runs.map((run) => JSON.stringify({ ...run, sentAt }))
  const answered = await station.postLines('/v1/runs/batch', lines)
  if (answered.length !== runs.length) {
    throw new Error(`${runs.length} runs were sent, ${answered.length} answered: ${JSON.stringify(answered.at(-1))}`)
  }
  for (const [index, body] of answered.entries()) {
    const run = runs[index]
    if (run === undefined) throw new Error('an answer without its run')
    count(run, BatchLineWire.parse(body))
  }
}

/** At noon the next revision of the EX36's plan comes into force; its sheet has been keyed and read back before. */
async function changeOfRevision(works: Works, day: number): Promise<Happening> {
  const { station, revision, hour } = HAPPENINGS.revision
  const atWork = works.lines.find(({ line }) => line.station === station)
  if (atWork === undefined) throw new Error(`there is no line ${station}`)
  const noon = hourAt(atWork.line.site, day, hour)
  const draft = reviseDraft(await readDraft(atWork.line.planDraft), {
    revision,
    changeReason: `dwell of the strength test held longer from ${dateOf(day)} on`,
    steps: { strength: { dwell: { set: '1.2', least: '1.1', unit: 's' } } },
  })
  return {
    at: noon - 30 * MINUTE_MS,
    act: async () => {
      const approved = await approveRevision(works, draft, writeInstant(noon))
      // Into programs of their own, so that the old programming stays current until noon.
      const programming = await keyIn(works, atWork.line, approved, ['5', '6'])
      atWork.citations.push({ from: noon, ...approved, programming })
    },
  }
}
