import { decimal, formatDecimal, multiply } from '../exact/decimal.ts'
import { caseHint, numberHint, unitHint } from './hints.ts'
import type { CodeFacts, ReasonCode, UploadCode } from './words.ts'

/**
 * Codes in words that a technician can act on. Only codes and facts are stored; a sentence may be reworded at any time.
 * Facts come from this room, but also from rows written by earlier versions, so a missing one leaves a sentence short
 * and never fails.
 */

/** What the facts say about a code. */
export function sentenceOf(code: UploadCode | ReasonCode, facts: CodeFacts): string {
  return sentences[code]((name) => facts[name] ?? 'unknown', facts)
}

/** What to do about a code of an upload. */
export function actionOf(code: UploadCode): string {
  return actions[code]
}

const MILLI = decimal('0.001')

type Sentence = (say: (name: string) => string, facts: CodeFacts) => string

const stressWords: Readonly<Record<string, string>> = {
  testVoltage: 'test voltage',
  testCurrent: 'test current',
  supplyVoltage: 'supply voltage',
  frequency: 'frequency',
  rampUp: 'time of rise',
  dwell: 'time at full stress',
  totalTime: 'total time',
  readAt: 'time of reading',
  residualVoltage: 'residual voltage',
  highestInRamp: 'highest current while the voltage rose',
}

function stressWord(facts: CodeFacts): string {
  const name = facts['stress'] ?? 'stress'
  return stressWords[name] ?? name
}

/** `; ` and what a fact says, where it is there. */
function also(facts: CodeFacts, name: string, before: string, after = ''): string {
  const fact = facts[name]
  return fact === undefined ? '' : `${before}${fact}${after}`
}

function because(facts: CodeFacts): string {
  const ended = also(facts, 'endedAt', ' at ')
  switch (facts['because']) {
    case 'not-cited':
      return 'The run cites no programming, and this instrument keeps programs.'
    case 'unknown':
      return 'There is no programming of this key.'
    case 'elsewhere':
      return `It was made for instrument ${facts['instrument'] ?? 'unknown'} at station ${facts['station'] ?? 'unknown'}.`
    case 'other-revision':
      return `It is of plan ${facts['plan'] ?? 'unknown'}, revision ${facts['revision'] ?? 'unknown'}.`
    case 'other-content':
      return 'It was keyed from other content of that revision than the one cited.'
    case 'not-yet':
      return `It was keyed only at ${facts['keyedAt'] ?? 'a later time'}.`
    case 'ended':
      return `It was ended${ended}.`
    case 'reprogrammed':
      return `One of its programs was keyed anew${ended}.`
    case 'instrument-left':
      return `The instrument left the station${ended}.`
    default:
      return ''
  }
}

/** A fact in whole milliseconds, in seconds: `131.07 s`. */
function seconds(ms: string): string {
  return /^-?\d+$/.test(ms) ? `${formatDecimal(multiply(decimal(ms), MILLI))} s` : ms
}

/** Which way the clock is wrong: received minus sent is above zero where it is slow. */
function clockError(skewMs: string): string {
  return skewMs.startsWith('-') ? `${seconds(skewMs.slice(1))} ahead of` : `${seconds(skewMs)} behind`
}

const plan = (say: (name: string) => string): string => `Revision ${say('revision')} of plan ${say('plan')}`

const noProperEnd =
  (what: string): Sentence =>
  () =>
    `${what}, so this was no proper test.`

const tripped =
  (what: string): Sentence =>
  (_, facts) =>
    `${what}${also(facts, 'reached', ' at ')}${also(facts, 'shown', '; the current shown was ')}.`

/** How the other side of a limit is worded, where a number on the limit itself does not pass. */
function onLimit(facts: CodeFacts): string {
  return facts['inclusive'] === 'false' ? ' (a number on the limit does not pass)' : ''
}

const sentences: Readonly<Record<UploadCode | ReasonCode, Sentence>> = {
  // ---------------------------------------------------------------------------------------- codes of an upload
  'field-invalid': (_, facts) => `The field is not valid${also(facts, 'detail', ': ')}.`,
  'duplicate-member': () => 'A member is there twice, and it cannot be known which is meant.',
  'unit-missing': () => 'A number has no unit, and none is guessed.',
  'unit-ambiguous': (_, facts) =>
    `The unit${also(facts, 'unit', " '", "'")} is right in everything but case, which can be a factor of a thousand million. ${caseHint(facts['unit'] ?? '')}`.trimEnd(),
  'unit-unknown': (_, facts) =>
    `The unit${also(facts, 'unit', " '", "'")} is not known. ${unitHint(facts['unit'] ?? '')}`,
  'not-a-number': (_, facts) =>
    `The value${also(facts, 'value', " '", "'")} is not a decimal number. ${numberHint(facts['value'] ?? '')}`,
  'offset-missing': () => 'A time has no offset from UTC, so it could mean several instants.',
  'serial-not-text': () => 'The serial is not text; as a number it would lose its leading zeros.',
  'serial-not-allowed': (_, facts) => facts['detail'] ?? 'The serial does not follow the rule of the product.',
  'frequency-missing': () => 'An alternating current was measured, and its frequency is not there.',
  'station-unknown': (say) => `There is no station ${say('station')}.`,
  'station-mismatch': (say) => `The key that sent this may not speak for station ${say('station')}.`,
  'product-unknown': (say) => `There is no confirmed product ${say('product')}.`,
  'product-plan-mismatch': (say, facts) =>
    facts['planProduct'] === undefined
      ? `${plan(say)} is not approved for this variant at this site.`
      : `${plan(say)} is for product ${say('planProduct')}, and the unit is a ${say('product')}.`,
  'revision-unknown': (say) => `There is no revision ${say('revision')} of plan ${say('plan')}.`,
  'digest-mismatch': (say) => `${plan(say)} has another digest than the one cited: the station tested other content.`,
  'revision-stale': (say, facts) =>
    `${plan(say)} was no longer in force when the test started at ${say('start')}${also(facts, 'inForceUntil', '; it ended at ')}.`,
  'revision-not-yet-in-force': (say, facts) =>
    `${plan(say)} was not in force yet when the test started at ${say('start')}${also(facts, 'inForceFrom', '; it begins at ')}.`,
  'revision-blocked': (say, facts) =>
    `${plan(say)} has been blocked since ${say('blockedFrom')}${facts['causes'] ? ` (${facts['causes']})` : ''}.`,
  'attribute-missing': (say) =>
    `The revision has no ${say('member')} for variant ${say('variant')} in step ${say('step')}, ${say('measurement')}.`,
  'person-unknown': (say) => `There is no person ${say('person')}.`,
  'instrument-mismatch': (say, facts) =>
    `Instrument ${say('instrument')} did not stand at station ${say('station')} when the test started${also(facts, 'assigned', '; there stood ')}.`,
  'calibration-expired': (say, facts) =>
    facts['calibration'] === undefined
      ? `Instrument ${say('instrument')} had no calibration when the test started.`
      : `Calibration ${say('calibration')} of instrument ${say('instrument')} was due on ${say('dueOn')}, before the test.`,
  'programming-not-current': (_, facts) =>
    `No current programming carries this test${also(facts, 'programming', ' (cited: ', ')')}. ${because(facts)}`.trimEnd(),
  'check-missing': (say) =>
    `Station ${say('station')} had no valid check with reference units for ${say('kinds')} when the test started.`,
  'station-locked': (say) => `The last check of station ${say('station')} before the test failed for ${say('kinds')}.`,
  'clock-skew': (say) =>
    `The station's clock is ${clockError(say('skewMs'))} the server's; ${seconds(say('toleranceMs'))} are tolerated.`,
  'clock-implausible': (say) =>
    `The start ${say('startedAt')} lies outside the time from the opening of the site (${say('opened')}) to the receipt (${say('receivedAt')}).`,
  'clock-stepped': (say, facts) =>
    facts['startedAgoMs'] === undefined
      ? `The test ended at ${say('endedAt')} by the station's clock, after it was sent at ${say('sentAt')}: the clock was set in between.`
      : `The test started ${seconds(say('startedAgoMs'))} before sending by the station's timer and ${seconds(say('byClockMs'))} by its clock: the clock was set in between.`,
  'start-uncertain': (say) =>
    `The start as sent (${say('startedAt')}) and as corrected for the station's clock (${say('startedAtCorrected')}) differ in: ${say('about')}.`,
  'over-stress': (say, facts) =>
    `Step ${say('step')}, ${say('measurement')}: the ${stressWord(facts)} was ${say('measured')}, above the ${say('most')} that the plan accepts; the unit may be damaged.`,
  'run-too-long': (say) => `The run took ${seconds(say('ranMs'))}; the plan allows ${say('most')}.`,
  'identity-conflict': (say) =>
    `The unit was ${say('shipState')} when the test started, and nothing says that it came back: the serial number may stand on two units.`,
  'purpose-not-allowed': (say) => `Runs for ${say('purpose')} are not taken as evidence in this version.`,

  // ---------------------------------------------------------------------------------------- reasons of a measurement
  'over-current': tripped('The tester tripped on over-current'),
  breakdown: tripped('The insulation broke down'),
  arc: tripped('An arc was detected'),
  'above-limit': (say, facts) => `${say('reading')} is above the limit of ${say('limit')}${onLimit(facts)}.`,
  'below-limit': (say, facts) => `${say('reading')} is below the limit of ${say('limit')}${onLimit(facts)}.`,
  'above-limit-in-ramp': (say, facts) =>
    `${say('reading')} while the voltage rose is above the limit of ${say('limit')}${onLimit(facts)}.`,
  'detector-mismatch': (say) =>
    `The number was read as ${say('used')}; the limit is for ${say('planned')}. Words are compared letter by letter.`,
  'network-mismatch': (say) => `Network ${say('used')} was used; the plan asks for ${say('planned')}.`,
  'voltage-not-reached': noProperEnd('The voltage was not reached'),
  'current-not-reached': noProperEnd('The current was not reached'),
  'operator-stop': noProperEnd('The operator stopped it'),
  'interlock-open': noProperEnd('The interlock opened'),
  'instrument-fault': noProperEnd('The instrument reported a fault'),
  'no-reading': () => 'The instrument gave no number.',
  nonconforming: () => 'It was looked at and is not as it should be.',
  'conformity-missing': () => 'Nobody said whether it is as it should be.',
  'read-too-late': (say) =>
    `The number was read ${say('measured')} after the supply was cut off; the plan asks for no later than ${say('most')}.`,
  'read-too-early': (say) =>
    `The number was read ${say('measured')} after the supply was cut off; the plan asks for no earlier than ${say('least')}.`,
  'reading-below-zero': (say) => `The reading ${say('reading')} is below zero, which this quantity cannot be.`,
  'stress-not-measured': (_, facts) => `The ${stressWord(facts)} was not measured.`,
  'stress-not-shown': (say, facts) =>
    `The ${stressWord(facts)} ${say('measured')} does not show that it lay within the plan${also(facts, 'least', ' (least ', ')')}${also(facts, 'most', ' (most ', ')')}.`,
  'stress-below-plan': (say, facts) =>
    `The ${stressWord(facts)} was ${say('measured')}; the plan accepts no less than ${say('least')}.`,
  'residual-voltage-high': (say) =>
    `${say('measured')} were left on the unit; the plan accepts no more than ${say('most')}. Discharge it before touching.`,
  'lead-offset-missing': () => 'There is no lead offset that could be taken off the reading.',
  'lead-offset-old': (say) => `The lead offset was ${say('age')} old; the plan accepts ${say('ageMax')}.`,
  'lead-offset-taken-later': () => 'The lead offset was taken after this test had started.',
  'lead-offset-large': (say) => `The lead offset is ${say('offset')}; the plan accepts no more than ${say('most')}.`,
  'net-below-zero': (say, facts) =>
    facts['offset'] === undefined
      ? `${say('reading')} is below zero, which a resistance cannot be.`
      : `Without the leads (${facts['offset']}), ${say('reading')} is below zero.`,
  'order-wrong': (say) => `Step ${say('step')} started before step ${say('after')} had ended.`,
  'open-lead-suspected': (say) =>
    `${say('reading')} is below ${say('minimum')}, the least that a connected unit shows: look for an open lead.`,
  'contact-not-proven': (say) => `Step ${say('step')}, which must show that the leads touched, did not show it.`,
  'limit-undecided': (say) => `${say('reading')} does not show on which side of ${say('limit')} the number lies.`,
  'within-guard-band': (say, facts) =>
    `${say('reading')} lies within the limit, but closer than the guard band of ${say('guardBand')}${also(facts, 'acceptanceUpper', '; accepted up to ')}${also(facts, 'acceptanceLower', '; accepted from ')}.`,
  'uncertainty-unknown': (say) =>
    `The calibration of the instrument states no uncertainty for this reading of ${say('kind')}, and the plan's decision rule needs it.`,
  'measurement-missing': () => 'The plan asks for this measurement, and it is not there.',
  'stress-above-plan': (say, facts) =>
    `The ${stressWord(facts)} was ${say('measured')}; the plan accepts no more than ${say('most')}. The run is held.`,
  'under-permit': (say) =>
    `Passed under deviation permit ${say('permit')}, whose limit is shown; the plan’s own it does not meet.`,
  'lead-offset-subtracted': (say) => `The lead offset of ${say('offset')} was taken off the reading of ${say('raw')}.`,
  'voltage-drop-divided': (say) =>
    `The drop of ${say('drop')} was divided by the measured current of ${say('current')}.`,
  'station-verdict-worse': (say) =>
    `The station said ${say('station')}; by the plan it is ${say('server')}. The worse counts.`,
  'station-verdict-differs': (say) =>
    `The station said ${say('station')}; by the plan it is ${say('server')}. Its settings or limits may not be the plan's: compare them with the setup sheet.`,
}

const CORRECT = 'Correct it and send it under a new key, with the key of this upload in replaces.'
const TEST_AGAIN = 'Test the unit again under the revision that is assigned to the station.'
const RECORD = (fact: string) =>
  `${fact}, have that recorded: the hold then settles by itself. Else mend it and test again.`
const BY_PERSON = 'Test the unit again; what is held stays held, and a later pass speaks for the unit.'
const SENT_ANEW =
  'Where the clock is right and sentAt was not stamped anew at sending, send the same run under a new key with the present sentAt.'
const ASK_ADMINISTRATOR = 'Check how it is spelled, or have an administrator add it. Then send the run under a new key.'

const actions: Readonly<Record<UploadCode, string>> = {
  'field-invalid': CORRECT,
  'duplicate-member': CORRECT,
  'unit-missing': CORRECT,
  'unit-ambiguous': CORRECT,
  'unit-unknown': CORRECT,
  'not-a-number': CORRECT,
  'offset-missing': CORRECT,
  'serial-not-text': CORRECT,
  'serial-not-allowed': CORRECT,
  'frequency-missing': CORRECT,
  'station-unknown': ASK_ADMINISTRATOR,
  'station-mismatch': 'Send it with the key of its own station.',
  'product-unknown':
    'Check how the product is spelled, or have a version of it confirmed. Then send the run under a new key.',
  'product-plan-mismatch': TEST_AGAIN,
  'revision-unknown': TEST_AGAIN,
  'digest-mismatch': `Read the assignment anew. ${TEST_AGAIN}`,
  'revision-stale': TEST_AGAIN,
  'revision-not-yet-in-force': TEST_AGAIN,
  'revision-blocked': `Do not test with it until another revision is in force or the block is lifted. ${TEST_AGAIN}`,
  'attribute-missing': TEST_AGAIN,
  'person-unknown': 'Have the person recorded: the hold then settles by itself. Or test again.',
  'instrument-mismatch': RECORD('Where this tester stood there during the test and that is only not recorded yet'),
  'calibration-expired': RECORD('Where a calibration of before the test covers it and is only not recorded yet'),
  'programming-not-current': RECORD(
    'Where the programming cited stood in the tester during the test and is only not recorded yet',
  ),
  'check-missing':
    'Check the station with its reference units before testing. A check made in time and not yet recorded settles this by itself.',
  'station-locked': `Do not test at this station until it is mended and a check is good. ${BY_PERSON}`,
  'clock-skew': `Set the station's clock (and its time zone, where it is off by whole hours). ${SENT_ANEW}`,
  'clock-implausible': `Set the station's clock. ${BY_PERSON}`,
  'clock-stepped': BY_PERSON,
  'start-uncertain': `Set the station's clock. ${BY_PERSON}`,
  'over-stress': 'Put the unit aside: it may be damaged. Have it looked at before it is tested again.',
  'run-too-long': BY_PERSON,
  'purpose-not-allowed': BY_PERSON,
  'identity-conflict':
    'Look which unit this is. Where it came back, record that it was returned or reworked, dated before the test.',
}
