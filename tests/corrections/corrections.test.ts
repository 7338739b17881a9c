import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { correctionDigest, inEffect, measuredAt, withCorrection } from '../../src/corrections/corrections.ts'
import type { Correction } from '../../src/corrections/words.ts'
import { readQuantity } from '../../src/exact/quantity.ts'
import { changedUpload } from '../judging/aldermoor.ts'

const upload = changedUpload()
const reading = { step: 'strength', measurement: 'live-to-earth', member: 'reading' } as const

function quantity(value: string, unit: string) {
  const read = readQuantity({ value, unit })
  if (!('quantity' in read)) throw new Error('a number is needed')
  return read.quantity
}

describe('a corrected upload', () => {
  test('differs in the one number, and the upload itself stays', () => {
    const before = structuredClone(upload)
    const corrected = withCorrection(upload, reading, quantity('1.9', 'mA'))
    expect(upload).toEqual(before)
    expect(measuredAt(corrected, reading)?.number).toMatchObject({ text: '1.9', unit: 'mA' })
    expect(withCorrection(corrected, reading, quantity('1.74', 'mA'))).toEqual(
      withCorrection(upload, reading, quantity('1.74', 'mA')),
    )
  })

  test('a stress that the step says for all is corrected for one measurement alone', () => {
    const place = { step: 'touch', measurement: 'normal-open', member: 'supplyVoltage' } as const
    const corrected = withCorrection(upload, place, quantity('244', 'V'))
    expect(measuredAt(corrected, place)?.number).toMatchObject({ text: '244' })
    expect(measuredAt(corrected, { ...place, measurement: 'normal-closed' })?.number).toMatchObject({ text: '245.6' })
  })

  test('what is not there cannot be corrected', () => {
    expect(measuredAt(upload, { ...reading, step: 'look' })).toBeUndefined()
    expect(measuredAt(upload, { ...reading, measurement: 'lid' })).toBeUndefined()
  })
})

describe('corrections in effect', () => {
  const correction = (correctionId: string, parts: Partial<Correction>): Correction => ({
    correctionId,
    runId: 'R-1',
    site: 'leeds',
    ...reading,
    from: { value: '6.1', unit: 'mA' },
    to: { value: '4.9', unit: 'mA' },
    reason: 'read wrongly',
    digest: 'sha256:0',
    verdictBefore: 'fail',
    verdictAfter: 'pass',
    judgement: { reasons: [], steps: [] },
    steps: null,
    follows: null,
    recordedAt: 0,
    recordedBy: 'P-1',
    confirmedAt: null,
    confirmedBy: null,
    meaning: null,
    ...parts,
  })
  const names = (list: readonly Correction[]) => inEffect(list).map(({ correctionId }) => correctionId)

  test('one that changes the verdict waits for the second person, any other does not', () => {
    expect(names([correction('a', {})])).toEqual([])
    expect(names([correction('a', { confirmedAt: 5 })])).toEqual(['a'])
    expect(names([correction('a', { verdictAfter: 'fail' })])).toEqual(['a'])
  })

  test('each is made on top of the one before, and a rival made on another ground stays out', () => {
    const first = correction('a', { confirmedAt: 5 })
    const second = correction('b', { follows: 'a', verdictBefore: 'pass' })
    const rival = correction('c', { follows: null, confirmedAt: null })
    expect(names([rival, second, first])).toEqual(['a', 'b'])
  })

  test('the digest covers all that is signed', () => {
    const draft = { ...reading, to: { value: '4.9', unit: 'mA' }, reason: 'read wrongly' }
    const outcome = { from: null, verdictBefore: 'fail', verdictAfter: 'pass', follows: null } as const
    const digest = correctionDigest('R-1', draft, outcome)
    fc.assert(
      fc.property(fc.string({ minLength: 1, unit: 'grapheme' }), (word) => {
        fc.pre(word !== draft.reason)
        expect(correctionDigest('R-1', { ...draft, reason: word }, outcome)).not.toBe(digest)
      }),
    )
    expect(correctionDigest('R-2', draft, outcome)).not.toBe(digest)
    expect(correctionDigest('R-1', draft, { ...outcome, verdictAfter: 'invalid' })).not.toBe(digest)
  })
})
