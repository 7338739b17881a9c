import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { type UnitEvent, unitEvents } from '../../src/units/event-words.ts'
import { shipStateAt } from '../../src/units/events.ts'
import { foldUnit } from '../../src/units/fold.ts'
import type { Attempt } from '../../src/units/words.ts'
import { at, attempt, sound } from './attempts.ts'

let made = 0

function event(what: UnitEvent['event'], time: string, parts: Partial<UnitEvent> = {}): UnitEvent {
  made += 1
  const happened = at(time)
  return {
    eventId: String(made).padStart(6, '0'),
    eventKey: `K-${made}`,
    site: 'leeds',
    event: what,
    at: happened,
    recordedAt: happened,
    reason: null,
    reference: null,
    recordedBy: 'P-0101',
    ...parts,
  }
}

function fold(attempts: readonly Attempt[], events: readonly UnitEvent[]) {
  const {
    attempts: folded,
    shipState,
    release,
  } = foldUnit(attempts, { operationsRequired: ['final'], worthOf: () => sound }, events)
  return {
    shipState,
    releasable: release.releasable,
    reasons: release.reasons.map(({ code }) => code),
    standings: folded.map(({ standing }) => standing),
    evidence: folded.map(({ evidence }) => evidence),
    numbers: folded.map(({ number }) => number),
  }
}

describe('what happens to a unit', () => {
  test.each<[UnitEvent['event'], boolean]>([
    ['opened', false],
    ['reworked', false],
    ['returned', false],
    ['shipped', true],
    ['scrapped', false],
  ])('%s after a pass: releasable %s', (what, releasable) => {
    expect(fold([attempt({ startedAt: at('09:00') })], [event(what, '10:00')]).releasable).toBe(releasable)
  })

  test('what happened at the very start of a test, or before it, takes nothing from it', () => {
    const run = attempt({ startedAt: at('09:00') })
    expect(fold([run], [event('opened', '09:00')]).evidence).toEqual(['provisional'])
    expect(fold([run], [event('opened', '08:59')]).evidence).toEqual(['provisional'])
    expect(fold([run], [event('opened', '09:01')]).evidence).toEqual(['superseded'])
  })

  test('a test of a unit that left is held until it is known to have come back', () => {
    const runs = [attempt({ startedAt: at('08:00') }), attempt({ startedAt: at('12:00') })]
    const shipped = event('shipped', '09:00')
    expect(fold(runs, [shipped])).toMatchObject({
      standings: ['accepted', 'held'],
      evidence: ['superseded', 'none'],
      numbers: [1, 2],
      reasons: ['hold-open'],
    })
    for (const back of ['returned', 'reworked'] as const) {
      expect(fold(runs, [shipped, event(back, '11:00', { recordedAt: at('13:00') })])).toMatchObject({
        standings: ['accepted', 'accepted'],
        releasable: true,
      })
      expect(fold(runs, [shipped, event(back, '12:01')]).standings).toEqual(['accepted', 'held'])
    }
  })

  test('engineering runs and held ones are no second unit', () => {
    const shipped = event('shipped', '09:00')
    expect(fold([attempt({ startedAt: at('12:00'), purpose: 'verification' })], [shipped]).standings).toEqual([
      'accepted',
    ])
    const held = attempt({ startedAt: at('12:00'), outcome: 'held', codes: ['clock-skew'] })
    expect(fold([held], [shipped]).standings).toEqual(['held'])
  })

  const events = fc.array(
    fc.record({ what: fc.constantFrom(...unitEvents), minute: fc.nat(59), recorded: fc.nat(59) }),
    { maxLength: 6 },
  )
  const starts = fc.array(fc.nat(59), { maxLength: 4 })
  const time = (minute: number) => `10:${String(minute).padStart(2, '0')}`
  const drawn = (list: readonly { what: UnitEvent['event']; minute: number; recorded: number }[]) =>
    list.map(({ what, minute, recorded }) => event(what, time(minute), { recordedAt: at('11:00') + recorded }))
  const runsAt = (list: readonly number[]) => list.map((minute) => attempt({ startedAt: at(time(minute)) }))

  test('any order of arrival gives the same', () => {
    fc.assert(
      fc.property(events, starts, (list, minutes) => {
        const [happened, runs] = [drawn(list), runsAt(minutes)]
        expect(fold([...runs].reverse(), [...happened].reverse())).toEqual(fold(runs, happened))
      }),
    )
  })

  test('releasable is what a plain walk along time finds', () => {
    fc.assert(
      fc.property(events, starts, (list, minutes) => {
        const [happened, runs] = [drawn(list), runsAt(minutes)]
        // At one minute what happened comes before what was tested.
        const moments = [
          ...happened.map((one) => ({
            at: one.at,
            order: 0,
            recorded: one.recordedAt,
            id: one.eventId,
            what: one.event as string,
          })),
          ...runs.map((one) => ({ at: one.startedAt, order: 1, recorded: 0, id: '', what: 'pass' })),
        ].sort((a, b) => a.at - b.at || a.order - b.order || a.recorded - b.recorded || (a.id < b.id ? -1 : 1))
        let isAway = false
        let isScrapped = false
        let state: 'untested' | 'proven' | 'unproven' | 'held' = 'untested'
        for (const { what } of moments) {
          if (what === 'pass') state = isAway ? 'held' : 'proven'
          if (what === 'opened' || what === 'reworked' || what === 'returned')
            state = state === 'proven' ? 'unproven' : state
          if (what === 'shipped' || what === 'scrapped') isAway = true
          if (what === 'returned' || what === 'reworked') isAway = false
          if (what === 'scrapped') isScrapped = true
          if (what === 'shipped' || what === 'returned' || what === 'reworked') isScrapped = false
        }
        expect(fold(runs, happened).releasable).toBe(state === 'proven' && !isScrapped)
      }),
    )
  })

  test('the ship state at an instant knows nothing of later events', () => {
    const list = [event('shipped', '09:00'), event('returned', '10:00')]
    expect([at('08:59'), at('09:00'), at('09:59'), at('10:00')].map((instant) => shipStateAt(list, instant))).toEqual([
      'in-plant',
      'shipped',
      'shipped',
      'returned',
    ])
  })
})
