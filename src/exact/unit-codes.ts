import { type Decimal, decimal } from './decimal.ts'

/**
 * The units that readings, limits and attributes may carry: UCUM codes, case-sensitive, with `Ohm` etc. as UCUM spells
 * them. A dimension is one kind of quantity; only quantities of the same dimension are compared.
 */
export const unitCodes = [
  'V',
  'mV',
  'kV',
  'A',
  'mA',
  'uA',
  'Ohm',
  'mOhm',
  'kOhm',
  'MOhm',
  'GOhm',
  's',
  'ms',
  'min',
  'h',
  'Hz',
  'nF',
  'pF',
  'W',
  'kW',
  'V.A',
  'V/s',
  'm',
  'Cel',
  '%',
  '1',
] as const

export type UnitCode = (typeof unitCodes)[number]

export const dimensions = [
  'voltage',
  'current',
  'resistance',
  'time',
  'frequency',
  'capacitance',
  'power',
  'apparent-power',
  'voltage-rate',
  'length',
  'temperature',
  'ratio',
] as const

export type Dimension = (typeof dimensions)[number]

/** A unit's dimension and the factor that takes a number in it to the canonical one. */
export interface Unit {
  readonly dimension: Dimension
  /** Times this gives the coherent SI unit of the dimension: V A Ohm s Hz F W V.A V/s m 1, and Cel for temperature. */
  readonly factor: Decimal
}

function unit(dimension: Dimension, factor: string): Unit {
  return { dimension, factor: decimal(factor) }
}

/** Factors: SI prefixes (SI Brochure, table 7), minute and hour (table 8), per cent as UCUM defines it. All exact. */
export const units: Readonly<Record<UnitCode, Unit>> = {
  V: unit('voltage', '1'),
  mV: unit('voltage', '1e-3'),
  kV: unit('voltage', '1e3'),
  A: unit('current', '1'),
  mA: unit('current', '1e-3'),
  uA: unit('current', '1e-6'),
  Ohm: unit('resistance', '1'),
  mOhm: unit('resistance', '1e-3'),
  kOhm: unit('resistance', '1e3'),
  MOhm: unit('resistance', '1e6'),
  GOhm: unit('resistance', '1e9'),
  s: unit('time', '1'),
  ms: unit('time', '1e-3'),
  min: unit('time', '60'),
  h: unit('time', '3600'),
  Hz: unit('frequency', '1'),
  nF: unit('capacitance', '1e-9'),
  pF: unit('capacitance', '1e-12'),
  W: unit('power', '1'),
  kW: unit('power', '1e3'),
  'V.A': unit('apparent-power', '1'),
  'V/s': unit('voltage-rate', '1'),
  m: unit('length', '1'),
  Cel: unit('temperature', '1'),
  '%': unit('ratio', '1e-2'),
  '1': unit('ratio', '1'),
}

/** Micro sign and Greek mu; ohm sign and Greek capital omega. Both of each pair look alike and are in use. */
const MICRO_SIGNS = ['\u00b5', '\u03bc']
const OHM_SIGNS = ['\u2126', '\u03a9', 'ohm']

/** Every accepted spelling, with the code it means. */
const spellings: ReadonlyMap<string, UnitCode> = new Map(
  unitCodes.flatMap((code): [string, UnitCode][] => {
    const aliases: string[] = [code]
    if (code.startsWith('u')) aliases.push(...MICRO_SIGNS.map((sign) => code.replace('u', sign)))
    if (code.endsWith('Ohm')) aliases.push(...OHM_SIGNS.map((sign) => code.replace('Ohm', sign)))
    if (code === 'V.A') aliases.push('VA')
    return aliases.map((alias) => [alias, code])
  }),
)

const spellingsWithoutCase: ReadonlySet<string> = new Set([...spellings.keys()].map((text) => text.toLowerCase()))

/** Longer text is no unit and is not even folded. */
const SPELLING_LENGTH_MAX = 16

/** The codes that have a spelling like this text in everything but case, in their order; for hints alone. */
export function spellingsLike(text: string): UnitCode[] {
  if (text.length > SPELLING_LENGTH_MAX) return []
  const folded = text.toLowerCase()
  const codes = [...spellings].filter(([spelling]) => spelling.toLowerCase() === folded).map(([, code]) => code)
  return unitCodes.filter((code) => codes.includes(code))
}

/**
 * The code that a written unit means, by its exact spelling. A spelling right in everything but case is refused as
 * ambiguous, never guessed: upper case turns milliohm into megohm, a factor of a thousand million.
 */
export function readUnit(text: unknown): UnitCode | { refused: 'unit-missing' | 'unit-ambiguous' | 'unit-unknown' } {
  if (text === undefined || text === null || text === '') return { refused: 'unit-missing' }
  if (typeof text !== 'string') return { refused: 'unit-unknown' }
  const code = spellings.get(text)
  if (code !== undefined) return code
  if (text.length <= SPELLING_LENGTH_MAX && spellingsWithoutCase.has(text.toLowerCase())) {
    return { refused: 'unit-ambiguous' }
  }
  return { refused: 'unit-unknown' }
}
