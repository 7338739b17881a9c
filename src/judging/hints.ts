import { spellingsLike, unitCodes } from '../exact/unit-codes.ts'

/** What to mend in a value or a unit that cannot be read; for people, never guessed at by the service itself. */

const NUMBER = /^-?\d+(\.\d+)?([eE][+-]?\d+)?$/
const NO_NUMBER = /^(ol|ovld|over|overload|open|hi|nan|inf(inity)?|-+|\*+)$/i
const BOUND = 'The end of a range is a value with relation >; where there was no reading, leave the value out.'

/** Why a text is no number of ours, and how it is written instead. */
export function numberHint(text: string): string {
  if (/^\s|\s$/.test(text)) return 'Leave out blanks and line ends.'
  if (/^[<>]/.test(text)) return 'Put the sign into relation.'
  if (text.includes(',')) return 'Write a decimal point, and no marks between thousands.'
  if (/^\+/.test(text)) return 'Leave out the plus.'
  if (/^-?\./.test(text)) return 'Write a 0 before the point.'
  if (NO_NUMBER.test(text)) return BOUND
  if (NUMBER.test(text)) return `It has more than 30 digits, or an exponent beyond 30. ${BOUND}`
  return 'Write digits, with a point where there is a fraction.'
}

/** Spellings in use elsewhere, and the UCUM code that is meant. */
const ELSEWHERE: Readonly<Record<string, string>> = {
  sec: 's',
  second: 's',
  seconds: 's',
  msec: 'ms',
  minute: 'min',
  hour: 'h',
  hours: 'h',
  '°c': 'Cel',
  degc: 'Cel',
  c: 'Cel',
  volt: 'V',
  volts: 'V',
  amp: 'A',
  amps: 'A',
  hertz: 'Hz',
  ohms: 'Ohm',
  '%rh': '%',
  percent: '%',
}

/** Which units there are, and the one that is likely meant. */
export function unitHint(text: string): string {
  const meant = ELSEWHERE[text.trim().toLowerCase()] ?? spellingsLike(text.trim())[0]
  return `${meant === undefined ? '' : `Perhaps ${meant} is meant. `}Units are ${unitCodes.join(' ')}.`
}

/** Which units an ambiguous text is right for in everything but case. */
export function caseHint(text: string): string {
  const codes = spellingsLike(text)
  return codes.length === 0 ? '' : `Write ${codes.join(' or ')}.`
}
