import { describe, expect, test } from 'vitest'
import { latestProgramming, type ProgrammingFacts, programmingAt } from '../../src/stations/programming.ts'
import { DIGEST, on16, placed, programmed } from './facts.ts'

const assignments = [placed('LDS-F2', 'INS-0031', on16('05:00'))]
const programming = programmed('PG-0192', on16('06:00'))
const at = (time: string, facts = {}, knownBy?: number) =>
  programmingAt({ programming, others: [programming], assignments, ...facts }, on16(time), knownBy)

function programmingCurrent(facts: ProgrammingFacts, start: number, knownBy?: number): boolean {
  return programmingAt(facts, start, knownBy).state === 'current'
}

describe('a programming is current', () => {
  test('from the instant it was read back', () => {
    expect(at('05:59:59.999')).toEqual({ state: 'not-yet' })
    expect(at('06:00')).toEqual({ state: 'current', until: null })
  })

  test('until its ending is dated', () => {
    const ended = { ...programming, ending: { at: on16('09:00'), recordedAt: on16('09:00') } }
    expect(at('08:59:59.999', { programming: ended })).toEqual({ state: 'current', until: on16('09:00') })
    expect(at('09:00', { programming: ended })).toEqual({ state: 'ended', endedAt: on16('09:00'), by: 'ended' })
  })

  test('until a later one uses one of its programs', () => {
    const others = [programming, programmed('PG-0193', on16('09:00'), { programs: ['4', '5'], plan: 'ex36-rework' })]
    expect(at('08:59:59.999', { others }).state).toBe('current')
    expect(at('09:00', { others })).toEqual({ state: 'ended', endedAt: on16('09:00'), by: 'reprogrammed' })
  })

  test.each([
    ['other programs', { programs: ['5', '6'] }],
    ['another instrument', { instrument: 'INS-0040' }],
    ['an earlier one', { at: on16('05:30') }],
  ])('%s do not end it', (_name, change) => {
    expect(at('12:00', { others: [programming, programmed('PG-0193', on16('09:00'), change)] }).state).toBe('current')
  })

  test('a later one ends it even where that one has ended as well: the programs were overwritten', () => {
    const ending = { at: on16('10:00'), recordedAt: on16('10:00') }
    expect(at('12:00', { others: [programmed('PG-0193', on16('09:00'), { ending })] })).toMatchObject({
      by: 'reprogrammed',
    })
  })

  test('until the instrument leaves the station', () => {
    const moved = [...assignments, placed('OSA-A1', 'INS-0031', on16('09:00'))]
    expect(at('08:59:59.999', { assignments: moved })).toEqual({ state: 'current', until: on16('09:00') })
    expect(at('09:00', { assignments: moved })).toEqual({
      state: 'ended',
      endedAt: on16('09:00'),
      by: 'instrument-left',
    })
    // It does not come back with the instrument.
    const back = [...moved, placed('LDS-F2', 'INS-0031', on16('11:00'))]
    expect(at('12:00', { assignments: back }).state).toBe('ended')
  })

  test('and it outlives an assignment to the same station recorded again', () => {
    const again = [...assignments, placed('LDS-F2', 'INS-0031', on16('09:00'))]
    expect(at('12:00', { assignments: again })).toEqual({ state: 'current', until: null })
  })

  test('the earliest end counts', () => {
    const facts = {
      programming: { ...programming, ending: { at: on16('11:00'), recordedAt: on16('11:00') } },
      others: [programmed('PG-0193', on16('10:00'))],
      assignments: [...assignments, placed('OSA-A1', 'INS-0031', on16('09:00'))],
    }
    expect(at('12:00', facts)).toEqual({ state: 'ended', endedAt: on16('09:00'), by: 'instrument-left' })
  })

  test('never where the instrument did not stand there when it was keyed in', () => {
    expect(at('06:00', { assignments: [placed('LDS-F2', 'INS-0031', on16('06:30'))] }).state).toBe('ended')
  })
})

describe('each fact counts in a view only once it was recorded', () => {
  test('the programming itself', () => {
    const late = programmed('PG-0192', on16('06:00'), { recordedAt: on16('12:00') })
    const facts = { programming: late, others: [], assignments }
    expect(programmingCurrent(facts, on16('08:00'))).toBe(true)
    expect(programmingCurrent(facts, on16('08:00'), on16('08:00'))).toBe(false)
  })

  test('its ending', () => {
    const ending = { at: on16('07:00'), recordedAt: on16('12:00') }
    const facts = { programming: { ...programming, ending }, others: [], assignments }
    expect(programmingCurrent(facts, on16('08:00'))).toBe(false)
    expect(programmingCurrent(facts, on16('08:00'), on16('08:00'))).toBe(true)
  })

  test('a later programming', () => {
    const others = [programmed('PG-0193', on16('07:00'), { recordedAt: on16('12:00') })]
    const facts = { programming, others, assignments }
    expect(programmingCurrent(facts, on16('08:00'))).toBe(false)
    expect(programmingCurrent(facts, on16('08:00'), on16('08:00'))).toBe(true)
  })

  test('a move of the instrument', () => {
    const moved = [...assignments, placed('OSA-A1', 'INS-0031', on16('07:00'), { recordedAt: on16('12:00') })]
    const facts = { programming, others: [], assignments: moved }
    expect(programmingCurrent(facts, on16('08:00'))).toBe(false)
    expect(programmingCurrent(facts, on16('08:00'), on16('08:00'))).toBe(true)
  })
})

describe('the programming of a revision', () => {
  const asked = {
    station: 'LDS-F2',
    instrument: 'INS-0031',
    plan: 'ex36-final',
    revision: 7,
    revisionDigest: DIGEST,
  }

  test('is the one keyed last, where it stands in several programs', () => {
    const programmings = [programmed('PG-2', on16('07:00'), { programs: ['5'] }), programming]
    const found = latestProgramming({ programmings, assignments }, asked, on16('08:00'))
    expect(found?.programming.programming).toBe('PG-2')
  })

  test.each([
    ['revision', { revision: 8 }],
    ['plan', { plan: 'ex36-rework' }],
    ['content', { revisionDigest: `sha256:${'7'.repeat(64)}` }],
    ['station', { station: 'LDS-F3' }],
    ['instrument', { instrument: 'INS-0040' }],
  ])('is none of another %s', (_name, change) => {
    const found = latestProgramming(
      { programmings: [programming], assignments },
      { ...asked, ...change },
      on16('08:00'),
    )
    expect(found).toBeUndefined()
  })
})
