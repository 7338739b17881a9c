import { describe, expect, test } from 'vitest'
import { readJson } from '../../src/exact/json.ts'
import { type Claim, claimOf } from '../../src/intake/claim.ts'
import type { Wire } from '../support/aldermoor.ts'
import { bytesOf, example } from './example.ts'

function claim(change: (wire: Wire) => void = () => {}): Claim {
  const read = readJson(bytesOf(example(change)))
  if (!read.ok) throw new Error(read.message)
  return claimOf(read.value as Wire)
}

describe('what an upload claims of itself', () => {
  test('is all of it where the upload is right', () => {
    expect(claim()).toEqual({
      station: 'LDS-F2',
      uploadKey: 'LDS-F2:0007315',
      sequenceNumber: 7315,
      sentAt: Date.parse('2026-03-16T09:14:39.800Z'),
      startedAt: Date.parse('2026-03-16T09:14:05.120Z'),
      purpose: 'production',
      product: 'EX36',
      variant: 'EX36-3M',
      serial: 'EX36-26-004417',
      plan: 'ex36-final',
      revision: 7,
      instrument: 'INS-0031',
      attemptCause: 'after-invalid',
      stationVerdict: 'pass',
      reportedFailure: false,
    })
  })

  test('leaves out what has the wrong form, each by itself', () => {
    const wrong: [string, unknown][] = [
      ['station', 'LDS F2'],
      ['uploadKey', ''],
      ['sequenceNumber', -1],
      ['sequenceNumber', 1.5],
      ['sequenceNumber', '7315'],
      ['sentAt', '2026-03-16T09:14:39'],
      ['startedAt', 17],
      ['product', 'p'.repeat(65)],
      ['serial', 451872],
      ['serial', 'a\u0000b'],
      ['serial', 'a\ud800b'],
      ['serial', 's'.repeat(257)],
      ['revision', 2 ** 31],
      ['plan', null],
      ['variant', {}],
    ]
    const whole = Object.keys(claim())
    for (const [member, value] of wrong) {
      const left = claim((wire) => (wire[member] = value))
      expect([member, Object.keys(left)]).toEqual([member, whole.filter((one) => one !== member)])
    }
  })

  test('reads nothing from the prototype of an object', () => {
    expect(claimOf({}).reportedFailure).toBe(false)
    expect(claimOf({ steps: [{}, [], 'x', null, 1] })).toEqual({ reportedFailure: false })
    expect(claimOf({ steps: { measurements: [{ termination: 'arc' }] } })).toEqual({ reportedFailure: false })
  })

  test('tells a reported failure: the word of run, step or measurement, over-current, breakdown, arc', () => {
    const failures: ((wire: Wire) => void)[] = [
      (wire) => (wire.stationVerdict = 'fail'),
      (wire) => (wire.steps[3].stationVerdict = 'fail'),
      (wire) => (wire.steps[3].measurements[2].stationVerdict = 'fail'),
      (wire) => (wire.steps[1].measurements[0].termination = 'over-current'),
      (wire) => (wire.steps[1].measurements[0].termination = 'breakdown'),
      (wire) => (wire.steps[1].measurements[0].termination = 'arc'),
    ]
    for (const change of failures) expect(claim(change).reportedFailure).toBe(true)
    const others: ((wire: Wire) => void)[] = [
      (wire) => (wire.stationVerdict = 'invalid'),
      (wire) => (wire.steps[1].measurements[0].termination = 'voltage-not-reached'),
      (wire) => (wire.extra = { stationVerdict: 'fail' }),
      (wire) => (wire.steps[1].extra = { termination: 'arc' }),
    ]
    for (const change of others) expect(claim(change).reportedFailure).toBe(false)
  })

  test('tells it also where the rest is nonsense', () => {
    expect(
      claim((wire) => {
        wire.serial = 7
        wire.steps = [null, { measurements: [7, { termination: 'breakdown' }] }]
      }),
    ).toMatchObject({
      reportedFailure: true,
      product: 'EX36',
    })
  })
})
