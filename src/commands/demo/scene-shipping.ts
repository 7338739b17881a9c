import { UnitReleaseWire } from '../../units/words.ts'
import { expectAnswer, insist } from './client.ts'
import type { Stage } from './stage.ts'

/** The units asked about, and the reason told for those that may not ship. */
const asked: readonly (readonly [serial: string, reason: string | undefined, why: string])[] = [
  ['EX36-26-004417', undefined, 'passed at once'],
  ['EX36-26-004418', undefined, 'failed, was repaired, passed'],
  ['EX36-26-004419', undefined, 'open lead, then passed'],
  ['EX36-26-004420', 'latest-run-fail', 'broke down'],
  ['EX36-26-004421', undefined, 'sent wrongly, then rightly'],
  ['EX36-26-004422', 'hold-open', 'the clock was slow'],
  ['EX36-26-004423', undefined, 'arrived late'],
  ['EX36-26-004424', undefined, 'stale, then tested again'],
  ['EX36-26-004425', undefined, 'blocked, then tested again'],
  ['EX36-26-004426', 'failure-unexplained', 'broke down in a run that did not count, then passed without a cause'],
  ['EX36-26-004499', 'unit-unknown', 'never seen'],
]

/** The shipping desk asks before a unit goes out. */
export async function askRelease({ cast, shift, tell, tally }: Stage): Promise<void> {
  shift.until(330)
  tell.scene('May it ship? The release gate answers for each unit')
  tell.does('The shipping desk scans eleven units and asks with the key of a person; that of a station cannot.')
  for (const [serial, reason, why] of asked) {
    const release = expectAnswer(await cast.manager.get(`/v1/units/EX36/${serial}/release`), 200, UnitReleaseWire)
    const found = release.reasons.map(({ code }) => code)
    insist(
      release.releasable === (reason === undefined),
      `${serial}: releasable should be ${reason === undefined}`,
      release,
    )
    insist(found.join(' ') === (reason ?? ''), `${serial}: the reason should be ${reason ?? 'none'}`, release)
    tally.countRelease(release.releasable)
    const [first] = release.reasons
    const word =
      first === undefined ? `may ship${release.provisional ? ', provisional' : ''}` : `stays here, ${first.code}`
    tell.gets(`${serial} ${word} (${why})`)
    if (first !== undefined) tell.detail(first.action)
  }
  tell.say('')
  tell.say('Provisional: until the next check of the station closes the bracket around these tests.')
}
