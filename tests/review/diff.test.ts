import { describe, expect, test } from 'vitest'
import { canonicalText, digestOf } from '../../src/exact/canonical.ts'
import type { PlanContent } from '../../src/plans/words.ts'
import { diffContents, diffRevisions } from '../../src/review/diff.ts'
import { RevisionDiffWire } from '../../src/review/diff-words.ts'
import { type Changes, plan } from '../plans/aldermoor.ts'
import { planWire } from '../support/aldermoor.ts'

/** All numbers are invented, as those of the plan that is changed here. */

const [bond, strength, insulation, touch] = planWire.steps
const normalClosed = touch?.measurements[0]

function diff(changes: Changes, before: Changes = {}) {
  return diffContents(plan(before), plan(changes))
}

/** A change in short: kind, path, sentence. */
function told(changes: Changes, before: Changes = {}): string[] {
  return diff(changes, before).map(({ kind, path, sentence }) => `${kind} ${path} | ${sentence}`)
}

describe('a value set that stands for the least', () => {
  test('is told once, as the least, where it stands', () => {
    const window = (set: string) => ({ '/steps/1/testVoltage': { set, most: '1287.5', unit: 'V' } })
    expect(told(window('1200'), window('1250'))).toEqual([
      'loosened /steps/1/testVoltage/set | Step strength: the least test voltage accepted was loosened: 1250 V before, 1200 V now (-4 %).',
    ])
  })
})

describe('a limit', () => {
  test.each<[string, Changes, string]>([
    [
      'that is lower is tighter, above',
      { '/steps/1/limitUpper/value': '2.5' },
      'tightened /steps/1/limitUpper/value | Step strength: the upper limit was tightened: 3 mA before, 2.5 mA now (-16.7 %).',
    ],
    [
      'that is lower is looser, below',
      { '/steps/2/limitLower': { value: '1.5', unit: 'MOhm', inclusive: true } },
      'loosened /steps/2/limitLower/value | Step insulation: the lower limit was loosened: 2 MOhm before, 1.5 MOhm now (-25 %).',
    ],
    [
      'keeps the unit that each revision used',
      { '/steps/2/limitLower': { value: '2500', unit: 'kOhm', inclusive: true } },
      'tightened /steps/2/limitLower/value | Step insulation: the lower limit was tightened: 2 MOhm before, 2500 kOhm now (+25 %).',
    ],
    [
      'that no longer passes itself is tighter',
      { '/steps/1/limitUpper/inclusive': false },
      'tightened /steps/1/limitUpper/inclusive | Step strength: the upper limit was tightened: 3 mA (a number on the limit passes) before, 3 mA (a number on the limit fails) now.',
    ],
    [
      'is told for the variant that it changed for',
      { '/steps/0/limitUpper/byVariant/EX36-5M': '180' },
      'tightened /steps/0/limitUpper/byVariant/EX36-5M | Step bond: the upper limit for EX36-5M was tightened: 197.5 mOhm before, 180 mOhm now (-8.86 %).',
    ],
    [
      'is told with the formula that it comes from',
      { '/steps/0/limitUpper/formula': '90 + earthCoreResistance' },
      'changed /steps/0/limitUpper/formula | Step bond: the formula of the upper limit was changed: 100 + earthCoreResistance before, 90 + earthCoreResistance now.',
    ],
    [
      'whose formula only has other blanks is reworded',
      { '/steps/0/limitUpper/formula': '100+earthCoreResistance' },
      'reworded /steps/0/limitUpper/formula | Step bond: the formula of the upper limit was reworded: 100 + earthCoreResistance before, 100+earthCoreResistance now.',
    ],
    [
      'that is new asks more',
      { '/steps/0/limitLower': { value: '10', unit: 'mOhm', inclusive: true } },
      'added /steps/0/limitLower/value | Step bond: the lower limit was added: 10 mOhm (a number on the limit passes).',
    ],
  ])('%s', (_, changes, sentence) => {
    expect(told(changes)).toEqual([sentence])
  })

  test('one value in place of one by variant is told for each variant that it changes', () => {
    const one = { ...bond?.limitUpper, byVariant: undefined, value: '158.5' }
    expect(told({ '/steps/0/limitUpper': one })).toEqual([
      'tightened /steps/0/limitUpper/value | Step bond: the upper limit for EX36-5M was tightened: 197.5 mOhm before, 158.5 mOhm now (-19.7 %).',
    ])
  })

  test('variants that change alike are told together, and those of a new version apart', () => {
    const before = { '/steps/0/limitUpper/byVariant': { 'EX36-3M': '150', 'EX36-5M': '150' } }
    const now = { '/steps/0/limitUpper/byVariant': { 'EX36-3M': '160', 'EX36-5M': '160.0', 'EX36-8M': '200' } }
    expect(diff(now, before)).toMatchObject([
      {
        kind: 'loosened',
        variants: ['EX36-3M', 'EX36-5M'],
        path: '/steps/0/limitUpper/byVariant',
        changePercent: '6.67',
      },
      { kind: 'added', variants: ['EX36-8M'], path: '/steps/0/limitUpper/byVariant/EX36-8M', from: null },
    ])
  })

  test('the same formula in another unit is another formula', () => {
    const inOhm = { byVariant: { 'EX36-3M': '0.1585', 'EX36-5M': '0.1975' }, unit: 'Ohm', inclusive: true }
    expect(told({ '/steps/0/limitUpper': { ...inOhm, formula: '100 + earthCoreResistance' } })).toEqual([
      'changed /steps/0/limitUpper/formula | Step bond: the formula of the upper limit was changed: 100 + earthCoreResistance [mOhm] before, 100 + earthCoreResistance [Ohm] now.',
    ])
  })
})

describe('a window', () => {
  test.each<[string, Changes, string[]]>([
    [
      'that accepts less is tighter',
      { '/steps/1/testVoltage/least': '1225' },
      [
        'tightened /steps/1/testVoltage/least | Step strength: the least test voltage accepted was tightened: 1200 V before, 1225 V now (+2.08 %).',
      ],
    ],
    [
      'that gets a bound is tighter',
      { '/steps/1/dwell/most': '3' },
      [
        'tightened /steps/1/dwell/most | Step strength: the greatest time at full stress accepted was tightened: none before, 3 s now.',
      ],
    ],
    [
      'that loses a bound is looser',
      { '/steps/0/testCurrent/most': undefined },
      [
        'loosened /steps/0/testCurrent | Step bond: the greatest test current accepted was loosened: 12 A before, none now.',
      ],
    ],
    [
      'narrower at both ends is tighter',
      { '/steps/1/frequency': { set: '50', least: '49.5', most: '50.5', unit: 'Hz' } },
      [
        'tightened /steps/1/frequency | Step strength: the frequency was tightened: 49 to 51 Hz before, 49.5 to 50.5 Hz now.',
      ],
    ],
    [
      'that moved is neither',
      { '/steps/1/testVoltage': { set: '1300', least: '1250', most: '1350', unit: 'V' } },
      [
        'changed /steps/1/testVoltage | Step strength: the test voltage was changed: 1200 to 1287.5 V before, 1250 to 1350 V now.',
        'changed /steps/1/testVoltage/set | Step strength: the test voltage set was changed: 1250 V before, 1300 V now (+4 %).',
      ],
    ],
    [
      'of one value moves with it',
      { '/steps/1/rampDown/set': '0.6' },
      [
        'changed /steps/1/rampDown/set | Step strength: the time of fall set was changed: 0.3 s before, 0.6 s now (+100 %).',
      ],
    ],
    [
      'in which the tester is set otherwise is neither',
      { '/steps/0/testCurrent/set': '11' },
      [
        'changed /steps/0/testCurrent/set | Step bond: the test current set was changed: 10.5 A before, 11 A now (+4.76 %).',
      ],
    ],
    [
      'that is gone asks less',
      { '/steps/1/rampDown': undefined },
      ['removed /steps/1/rampDown | Step strength: the time of fall was removed: 0.3 s before.'],
    ],
  ])('%s', (_, changes, sentences) => {
    expect(told(changes)).toEqual(sentences)
  })
})

describe('any other setting', () => {
  test.each<[Changes, string]>([
    [
      { '/steps/1/tripCurrent/value': '4' },
      'tightened /steps/1/tripCurrent | Step strength: the trip current was tightened: 5 mA before, 4 mA now (-20 %).',
    ],
    [
      { '/steps/1/openLeadMinimum/value': '0.7' },
      'tightened /steps/1/openLeadMinimum | Step strength: the open lead minimum was tightened: 0.65 mA before, 0.7 mA now (+7.69 %).',
    ],
    [
      { '/steps/1/arcDetection/threshold/value': '20' },
      'loosened /steps/1/arcDetection/threshold | Step strength: the threshold of arc detection was loosened: 10 mA before, 20 mA now (+100 %).',
    ],
    [
      { '/steps/1/arcDetection': undefined },
      'removed /steps/1/arcDetection | Step strength: the threshold of arc detection was removed: 10 mA before.',
    ],
    [
      { '/steps/0/leadOffset/ageMax': { value: '480', unit: 'min' } },
      'tightened /steps/0/leadOffset/ageMax | Step bond: the offset allowed for the leads was tightened: 12 h before, 480 min now (-33.3 %).',
    ],
    [
      { '/steps/0/leadOffset': undefined },
      'removed /steps/0/leadOffset | Step bond: the offset allowed for the leads was removed: at most 30 mOhm, at most 12 h old before.',
    ],
    [
      { '/steps/1/limitInRamp': false },
      'loosened /steps/1/limitInRamp | Step strength: the limit during the rise was loosened: yes before, no now.',
    ],
    [
      { '/steps/2/endEarlyOnPass': true },
      'loosened /steps/2/endEarlyOnPass | Step insulation: the early end on a pass was loosened: no before, yes now.',
    ],
    [
      { '/steps/3/required': false },
      'loosened /steps/3/required | Step touch: the duty to run the step was loosened: yes before, no now.',
    ],
    [
      { '/steps/3/after': ['strength', 'bond'] },
      'tightened /steps/3/after | Step touch: the list of steps that come before it was tightened: strength before, strength, bond now.',
    ],
    [
      { '/steps/3/after': ['insulation'] },
      'changed /steps/3/after | Step touch: the list of steps that come before it was changed: strength before, insulation now.',
    ],
    [
      { '/steps/3/detector': 'peak' },
      'changed /steps/3/detector | Step touch: the detector was changed: rms before, peak now.',
    ],
    [
      { '/steps/2/contactProvenBy': undefined },
      'removed /steps/2/contactProvenBy | Step insulation: the step that proves contact was removed: strength before.',
    ],
    [
      { '/steps/0/measurements/1/to': ['motor-housing', 'hose-collar'] },
      'changed /steps/0/measurements/1/to | Step bond, measurement hose-collar: the connection to was changed: hose-collar before, motor-housing, hose-collar now.',
    ],
    [
      { '/steps/3/measurements/0/polarity': 'reversed' },
      'changed /steps/3/measurements/0/polarity | Step touch, measurement normal-closed: the polarity of the supply was changed: normal before, reversed now.',
    ],
    [
      { '/attemptsWithoutCauseMax': 3 },
      'loosened /attemptsWithoutCauseMax | The greatest number of attempts without a cause was loosened: 2 before, 3 now (+50 %).',
    ],
    [
      { '/runDurationMax': { value: '5', unit: 'min' } },
      'tightened /runDurationMax | The longest duration of a run was tightened: 600 s before, 5 min now (-50 %).',
    ],
    [{ '/sites': undefined }, 'changed /sites | The list of sites was changed: leeds before, every site now.'],
    [
      { '/productVersion': 4, '/productDigest': `sha256:${'0'.repeat(64)}` },
      'changed /productVersion | The product version was changed: 3 before, 4 now.',
    ],
  ])('%j', (changes, sentence) => {
    expect(told(changes)).toEqual([sentence])
  })
})

describe('where a setting is said', () => {
  const more = { value: '0.8', unit: 'mA', inclusive: true }

  test('a measurement that says its own is told by its name, and keeps it from a change of the step', () => {
    expect(told({ '/steps/3/measurements/1/limitUpper': more })).toEqual([
      'loosened /steps/3/measurements/1/limitUpper/value | Step touch, measurement normal-open: the upper limit was loosened: 0.75 mA before, 0.8 mA now (+6.67 %).',
    ])
    const own = { '/steps/3/measurements/1/limitUpper': more }
    const changes = diff({ ...own, '/steps/3/limitUpper': { ...more, value: '0.7' } }, own)
    expect(changes.map(({ path, measurement }) => [path, measurement])).toEqual([
      ['/steps/3/limitUpper/value', 'normal-closed'],
      ['/steps/3/limitUpper/value', 'reversed-closed'],
      ['/steps/3/limitUpper/value', 'reversed-open'],
    ])
  })

  test('the same said by each measurement in place of the step changes nothing', () => {
    const own = Object.fromEntries(
      [0, 1, 2, 3].map((at) => [`/steps/3/measurements/${at}/limitUpper`, touch?.limitUpper]),
    )
    expect(diff({ ...own, '/steps/3/limitUpper/value': '9' })).toEqual([])
  })
})

describe('steps and measurements', () => {
  const steps = (...list: unknown[]): Changes => ({ '/steps': list })

  test.each<[string, Changes, string[]]>([
    [
      'a step that is gone',
      steps(bond, strength, insulation),
      ['removed /steps/3 | Step touch was removed: touch-current, 4 measurements.'],
    ],
    [
      'a measurement that is gone',
      { '/steps/0/measurements': bond?.measurements.slice(0, 1) },
      [
        'removed /steps/0/measurements/1 | Step bond: the measurement hose-collar was removed: protective-bonding from plug-earth-pin to hose-collar.',
      ],
    ],
    [
      'a measurement that is new',
      {
        '/steps/0/measurements': [
          { measurement: 'foot', from: ['plug-earth-pin'], to: ['motor-housing'] },
          ...(bond?.measurements ?? []),
        ],
      },
      [
        'added /steps/0/measurements/0 | Step bond: the measurement foot was added: protective-bonding from plug-earth-pin to motor-housing.',
      ],
    ],
    [
      'another order of steps',
      steps(bond, insulation, strength, touch),
      [
        'reordered /steps | The steps were reordered: bond, strength, insulation, touch before, bond, insulation, strength, touch now.',
      ],
    ],
    [
      'another order of measurements',
      { '/steps/0/measurements': bond?.measurements.toReversed() },
      [
        'reordered /steps/0/measurements | Step bond: the measurements were reordered: motor-housing, hose-collar before, hose-collar, motor-housing now.',
      ],
    ],
    [
      'another key for the same step, wherever it is named',
      {
        '/steps/1/step': 'hipot',
        '/steps/2/contactProvenBy': 'hipot',
        '/steps/3/after': ['hipot'],
      },
      [
        'renamed /steps/1/step | Step strength was renamed: it is now called hipot. Trends and reasons use the new key.',
      ],
    ],
    [
      'another key for the same measurement',
      { '/steps/0/measurements/0/measurement': 'housing' },
      [
        'renamed /steps/0/measurements/0/measurement | Step bond: the measurement motor-housing was renamed: it is now called housing. Trends and reasons use the new key.',
      ],
    ],
    [
      'another key and another limit: no telling that it is the same',
      { '/steps/2/step': 'resistance', '/steps/2/limitLower/value': '3' },
      [
        'added /steps/2 | Step resistance was added: insulation-resistance, 1 measurement.',
        'removed /steps/2 | Step insulation was removed: insulation-resistance, 1 measurement.',
      ],
    ],
    [
      'another kind under the same key is another test',
      {
        '/steps/1/kind': 'electric-strength-dc',
        '/steps/1/frequency': undefined,
        '/steps/1/residualVoltage': { most: '60', unit: 'V' },
      },
      [
        'added /steps/1 | Step strength was added: electric-strength-dc, 1 measurement.',
        'removed /steps/1 | Step strength was removed: electric-strength-ac, 1 measurement.',
      ],
    ],
  ])('%s', (_, changes, sentences) => {
    expect(told(changes)).toEqual(sentences)
  })

  test('two that say the same cannot be told apart: gone and new, not renamed', () => {
    const twins = (...names: string[]): Changes => ({
      '/steps/3/measurements': names.map((measurement) => ({ ...normalClosed, measurement })),
    })
    const kinds = (...sides: Parameters<typeof diff>) =>
      diff(...sides).map(({ kind, measurement }) => [kind, measurement])
    const fresh = ['c', 'd'].map((key) => ['added', key])
    expect(kinds(twins('c', 'd'), twins('a', 'b'))).toEqual([...fresh, ['removed', 'a'], ['removed', 'b']])
    expect(kinds(twins('c', 'd'), twins('a'))).toEqual([...fresh, ['removed', 'a']])
  })

  test('a step whose key goes to a step of another kind is followed by what it says', () => {
    const { frequency: _frequency, ...rest } = strength ?? {}
    const dc = { ...rest, kind: 'electric-strength-dc', residualVoltage: { most: '60', unit: 'V' } }
    const changes = diff(steps(bond, { ...strength, step: 'strength-ac' }, dc, insulation, touch))
    expect(changes.map(({ kind, path }) => `${kind} ${path}`)).toEqual([
      'renamed /steps/1/step',
      'added /steps/2',
      // Contact and order are now left to the new step of the old name.
      'changed /steps/3/contactProvenBy',
      'changed /steps/4/after',
    ])
  })
})

describe('the answer', () => {
  const revisionOf = (content: PlanContent) => ({
    revision: content.revision,
    digest: digestOf(canonicalText(content)),
    content,
  })

  test('is the example of the published document', () => {
    const from = revisionOf(plan())
    const to = revisionOf(plan({ '/revision': 8, '/steps/1/limitUpper/value': '2.5' }))
    expect(RevisionDiffWire.meta()?.examples).toEqual([diffRevisions(from, to)])
  })

  test('says whether anything was tightened or loosened, and counts by kind', () => {
    const from = revisionOf(plan())
    const answer = (changes: Changes) => {
      const diff = diffRevisions(from, revisionOf(plan({ '/revision': 8, ...changes })))
      return RevisionDiffWire.parse(diff)
    }
    expect(answer({})).toMatchObject({ tightened: false, loosened: false, changes: [] })
    expect(answer({ '/steps/0/testCurrent/set': '11' })).toMatchObject({ tightened: false, loosened: false })
    expect(answer({ '/steps/1/rampDown': undefined })).toMatchObject({ tightened: false, loosened: true })
    const both = answer({ '/steps/1/limitUpper/value': '2', '/steps/2/limitLower/value': '1' })
    expect(both).toMatchObject({ tightened: true, loosened: true, summary: { tightened: 1, loosened: 1, changed: 0 } })
    expect(Object.values(both.summary).reduce((sum, count) => sum + count)).toBe(both.changes.length)
  })
})
