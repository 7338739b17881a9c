/**
 * Aldermoor Works over a fortnight: two plants, six lines, one product each. Everything here is invented; no number is a
 * limit for a real product.
 */

/** One test position with what is tested there. Instruments with programs want them keyed and read back. */
export interface TestLine {
  readonly station: string
  readonly site: 'leeds' | 'osaka'
  readonly name: string
  readonly instrument: string
  readonly hasPrograms: boolean
  readonly product: string
  /** The names of the files in seed/aldermoor that hold product and plan. */
  readonly productDraft: string
  readonly planDraft: string
  /** How a serial number reads that ends in this count. */
  readonly serial: (count: number) => string
  /** '' where the product has none. */
  readonly variants: readonly string[]
  readonly operator: string
  /** The mains filter of the product is bought in lots, where it has one. */
  readonly filterLot: string | undefined
  /** Minutes from one start to the next, on average. */
  readonly minutesEach: number
}

export const SITES = [
  { site: 'leeds', name: 'Aldermoor Works, Leeds', timeZone: 'Europe/London' },
  { site: 'osaka', name: 'Aldermoor Works, Osaka', timeZone: 'Asia/Tokyo' },
] as const

/** The first day, a Monday. British clocks go forward on its second Sunday; Japan's never do. */
export const FIRST_DAY = '2026-03-23'
export const DAYS = 14
/** The sites opened long before, and instruments were placed and calibrated in time. */
export const OPENED_AT = '2025-01-06T00:00:00Z'
export const PLACED_AT = '2026-03-02T00:00:00Z'
export const CALIBRATED_AT = '2026-03-01T09:00:00Z'
export const CALIBRATION_DUE_ON = '2027-03-01'
/** Rules, products and plans are written and signed on the Sunday before. */
export const PREPARED_AT = '2026-03-22T09:00:00Z'

export const ENGINEER = { person: 'P-0112', name: 'Ruth Hartley', roles: ['author', 'approver'] } as const
export const MANAGER = { person: 'P-0205', name: 'Daniel Amis', roles: ['approver'] } as const
export const ANALYST = { person: 'P-0501', name: 'Ines Calder', roles: ['analyst'] } as const
/** Keys testers at both plants; the operator of the line reads back. */
export const TECHNICIAN = { person: 'P-0398', name: 'Tom Sedgwick', roles: [] } as const
export const OPERATORS = [
  { person: 'P-0417', name: 'Mina Farrow', roles: [] },
  { person: 'P-0421', name: 'Owen Pryce', roles: [] },
  { person: 'P-0430', name: 'Asha Lal', roles: [] },
  { person: 'P-0611', name: 'Kenta Mori', roles: [] },
  { person: 'P-0612', name: 'Yui Sakai', roles: [] },
  { person: 'P-0613', name: 'Ren Okada', roles: [] },
] as const

const sixDigits = (count: number) => String(count).padStart(6, '0')
const fiveDigits = (count: number) => String(count).padStart(5, '0')

export const LINES: readonly TestLine[] = [
  {
    station: 'LDS-F1',
    site: 'leeds',
    name: 'Final test, bay 1',
    instrument: 'INS-0032',
    hasPrograms: true,
    product: 'GS18',
    productDraft: 'product-gs18-1',
    planDraft: 'plan-gs18-final-1',
    serial: (count) => `GS18-26K${fiveDigits(count)}`,
    variants: ['GS18-UK', 'GS18-EU'],
    operator: 'P-0421',
    filterLot: 'F-0961',
    minutesEach: 9,
  },
  {
    station: 'LDS-F2',
    site: 'leeds',
    name: 'Final test, bay 2',
    instrument: 'INS-0031',
    hasPrograms: true,
    product: 'EX36',
    productDraft: 'product-ex36-3',
    planDraft: 'plan-ex36-final-7',
    serial: (count) => `EX36-26-${sixDigits(count)}`,
    variants: ['EX36-3M', 'EX36-5M'],
    operator: 'P-0417',
    filterLot: 'F-0932',
    minutesEach: 8,
  },
  {
    station: 'LDS-F3',
    site: 'leeds',
    name: 'Final test, bay 3',
    instrument: 'INS-0033',
    hasPrograms: true,
    product: 'BC12',
    productDraft: 'product-bc12-1',
    planDraft: 'plan-bc12-final-1',
    serial: (count) => `BC12-${sixDigits(count)}`,
    variants: [''],
    operator: 'P-0430',
    filterLot: undefined,
    minutesEach: 14,
  },
  {
    station: 'OSA-A1',
    site: 'osaka',
    name: 'Final test A1',
    instrument: 'INS-0041',
    hasPrograms: false,
    product: 'EX52',
    productDraft: 'product-ex52-1',
    planDraft: 'plan-ex52-final-1',
    serial: (count) => `EX52-26-${sixDigits(count)}`,
    variants: ['EX52-2M', 'EX52-5M'],
    operator: 'P-0611',
    filterLot: 'F-0940',
    minutesEach: 9,
  },
  {
    station: 'OSA-A2',
    site: 'osaka',
    name: 'Final test A2',
    instrument: 'INS-0042',
    hasPrograms: false,
    product: 'BC30',
    productDraft: 'product-bc30-1',
    planDraft: 'plan-bc30-final-1',
    serial: (count) => `BC30-${sixDigits(count)}`,
    variants: ['BC30-R8', 'BC30-R24'],
    operator: 'P-0612',
    filterLot: undefined,
    minutesEach: 15,
  },
  {
    station: 'OSA-A3',
    site: 'osaka',
    name: 'Final test A3',
    instrument: 'INS-0043',
    hasPrograms: false,
    product: 'GS26',
    productDraft: 'product-gs26-1',
    planDraft: 'plan-gs26-final-1',
    serial: (count) => `GS26-26K${fiveDigits(count)}`,
    variants: ['GS26-1', 'GS26-2'],
    operator: 'P-0613',
    filterLot: 'F-0970',
    minutesEach: 10,
  },
]

/** What went otherwise than planned. Days are counted from 0, hours and minutes are the site's own. */
export const HAPPENINGS = {
  /** A contact at LDS-F2 wears: its currents rise by so much a day, from this day on. */
  drift: { station: 'LDS-F2', fromDay: 4, aDay: 0.012 },
  /** A lot of mains filters for the shredder leaks. */
  badLot: { station: 'LDS-F1', lot: 'F-0977', fromDay: 8, toDay: 9, share: 0.25 },
  /** A lead has come off at OSA-A1, for an hour; until somebody looks, every number is next to nothing. */
  openLead: { station: 'OSA-A1', day: 4, fromHour: 10, toHour: 11 },
  /** OSA-A2 has no network for a day, and sends everything in the evening. */
  outage: { station: 'OSA-A2', day: 10 },
  /** A new revision of the EX36's plan; the tester is keyed for it at once, yet one unit is tested under the old one. */
  revision: { station: 'LDS-F2', revision: 8, day: 7, hour: 12 },
  /** Somebody tests at LDS-F3 whom nobody has recorded. */
  stranger: { station: 'LDS-F3', person: 'P-0699', day: 2, hour: 9 },
} as const
