import { describe, expect, test } from 'vitest'
import { checkCapabilities, fitsCapabilities, fitsInstrument, testerStepCount } from '../../src/stations/capability.ts'
import type { Capabilities } from '../../src/stations/words.ts'
import { capable, ex36Final } from './facts.ts'

function without(kind: string): Capabilities {
  return { ...capable, kinds: capable.kinds.filter((one) => one.kind !== kind) }
}

function withRange(kind: Capabilities['kinds'][number]['kind'], ...ranges: object[]): Capabilities {
  const changed = ranges.map((range) => ({ kind, range: { unit: 'V', ...range } }))
  return { ...capable, kinds: [...without(kind).kinds, ...changed] }
}

describe('programs', () => {
  test('the worked example has eight tester steps, so that two programs of five hold it and one does not', () => {
    expect(testerStepCount(ex36Final())).toBe(8)
    expect(fitsInstrument(ex36Final(), capable, ['3', '4'])).toEqual([])
    expect(fitsInstrument(ex36Final(), capable, ['3'])).toEqual([
      {
        pointer: '/programs',
        code: 'steps-do-not-fit',
        detail: '8 tester steps are planned; 1 programs of 5 hold 5',
      },
    ])
  })

  test('exactly as many as fit do fit', () => {
    const each = (stepsEach: number) => ({ ...capable, programs: { count: 10, stepsEach } })
    expect(fitsInstrument(ex36Final(), each(4), ['1', '2'])).toEqual([])
    expect(fitsInstrument(ex36Final(), each(4), ['1'])).toMatchObject([{ code: 'steps-do-not-fit' }])
    expect(fitsInstrument(ex36Final(), each(8), ['1'])).toEqual([])
    expect(fitsInstrument(ex36Final(), each(7), ['1'])).toMatchObject([{ code: 'steps-do-not-fit' }])
  })

  test.each(['0', '11', '01', '1.0', '-1', 'A', '1e1'])(
    'the instrument with programs 1 to 10 has no program %s',
    (name) => {
      expect(fitsInstrument(ex36Final(), capable, ['10', name])).toMatchObject([
        { pointer: '/programs/1', code: 'program-unknown' },
      ])
    },
  )

  test('an instrument without programs takes no programming', () => {
    expect(fitsInstrument(ex36Final(), { kinds: capable.kinds }, ['1', '2'])).toMatchObject([
      { code: 'programs-not-kept' },
    ])
  })
})

describe('kinds and ranges', () => {
  test('a kind that is not offered is named once for its step', () => {
    expect(fitsCapabilities(ex36Final(), without('touch-current'))).toEqual([
      {
        pointer: '/revision',
        code: 'kind-not-offered',
        detail: 'step touch is touch-current, which the instrument does not do',
      },
    ])
  })

  test.each([
    ['ends at what is set', { most: '1250' }, true],
    ['ends just below it', { most: '1249.9' }, false],
    ['begins at what is set, in another unit', { least: '1.25', unit: 'kV' }, true],
    ['begins just above it', { least: '1.2501', unit: 'kV' }, false],
  ])('a range that %s', (_name, range, fits) => {
    const misfits = fitsCapabilities(ex36Final(), withRange('electric-strength-ac', range))
    expect(misfits.map(({ code }) => code)).toEqual(fits ? [] : ['range-exceeded'])
  })

  test('one of several ranges is enough', () => {
    const capabilities = withRange('electric-strength-ac', { most: '1000' }, { least: '1000', most: '2000' })
    expect(fitsCapabilities(ex36Final(), capabilities)).toEqual([])
  })

  test('where nothing is set, anything that the plan accepts will do', () => {
    const content = ex36Final(({ steps }) => {
      for (const step of steps)
        if (step.kind === 'electric-strength-ac') step.testVoltage = { least: '1200', unit: 'V' }
    })
    expect(fitsCapabilities(content, withRange('electric-strength-ac', { most: '1200' }))).toEqual([])
    expect(fitsCapabilities(content, withRange('electric-strength-ac', { most: '1199' }))).toMatchObject([
      { code: 'range-exceeded' },
    ])
  })

  test('a measurement that says its stress anew is asked for itself', () => {
    const content = ex36Final(({ steps }) => {
      for (const step of steps) {
        const [first] = step.kind === 'protective-bonding' ? step.measurements : []
        if (first) first.testCurrent = { set: '40', unit: 'A' }
      }
    })
    expect(fitsCapabilities(content, capable).map(({ detail }) => detail)).toEqual([
      'step bond, motor-housing: testCurrent 40 A; the instrument has 1 to 30 A',
    ])
  })
})

describe('capabilities themselves', () => {
  test('sound ones are taken', () => {
    expect(checkCapabilities(capable)).toEqual([])
  })

  test.each([
    ['no unit', { most: '5', unit: 'volt' }, 'unit-unknown', '/kinds/0/range/unit'],
    ['a unit of ambiguous case', { most: '5', unit: 'KV' }, 'unit-ambiguous', '/kinds/0/range/unit'],
    ['a unit of another stress', { most: '5', unit: 'A' }, 'field-invalid', '/kinds/0/range/unit'],
    ['neither end', { unit: 'V' }, 'field-invalid', '/kinds/0/range'],
    ['ends the wrong way round', { least: '1901', most: '1900', unit: 'V' }, 'field-invalid', '/kinds/0/range/most'],
    ['a negative end', { least: '-1', unit: 'V' }, 'field-invalid', '/kinds/0/range/least'],
  ])('a range with %s', (_name, range, code, pointer) => {
    const refusals = checkCapabilities({ kinds: [{ kind: 'electric-strength-ac', range }] })
    expect(refusals.map((refusal) => [refusal.code, refusal.pointer])).toEqual([[code, pointer]])
  })

  test('a look has no range', () => {
    const refusals = checkCapabilities({ kinds: [{ kind: 'inspection', range: { most: '1', unit: 'V' } }] })
    expect(refusals).toMatchObject([{ pointer: '/kinds/0/range', code: 'field-invalid' }])
  })
})

describe('the accuracy of what is set', () => {
  const stated = (value: string, unit: string, kind: Capabilities['kinds'][number]['kind'] = 'electric-strength-ac') =>
    checkCapabilities({ kinds: [{ kind, accuracy: { value, unit } }] }).map(({ pointer, code }) => `${pointer} ${code}`)

  test.each<[value: string, unit: string, refused: string[]]>([
    ['1.5', '%', []],
    ['0.015', '1', []],
    ['0', '%', []],
    ['100', '%', ['/kinds/0/accuracy/value field-invalid']],
    ['-1', '%', ['/kinds/0/accuracy/value field-invalid']],
    ['10', 'V', ['/kinds/0/accuracy/unit field-invalid']],
    ['10', 'volt', ['/kinds/0/accuracy/unit unit-unknown']],
  ])('%s %s', (value, unit, refused) => {
    expect(stated(value, unit)).toEqual(refused)
  })

  test('is none of what only a person does', () => {
    expect(stated('1', '%', 'inspection')).toEqual(['/kinds/0/accuracy field-invalid'])
  })
})
