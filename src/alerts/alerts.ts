import { compare, type Decimal } from '../exact/decimal.ts'
import { writeInstant } from '../exact/time.ts'
import type { AlertCode, StationAlert } from './words.ts'

/**
 * What should make somebody look at a station, from its uploads in the order of tests. Computed when it is asked, and
 * stored nowhere, so that late uploads and other orders of arrival give the same.
 */

/** So many in a row are no single slip. */
const IN_A_ROW = 2
const RUNS_SHOWN = 100

/** One upload of a station as alerts look at it; `at` is the start as used, or the receipt where none counts. */
export interface SeenRun {
  readonly runId: string
  readonly serial: string | null
  readonly at: number
}

/** A reading that has a minimum below which a lead was open; canonical. */
export interface SeenReading extends SeenRun {
  readonly step: string
  readonly measurement: string
  readonly value: Decimal
  readonly openLeadMinimum: Decimal
  /** For people: `0.03 mA`. */
  readonly text: string
}

/**
 * Readings below their open lead minimum, at least two in a row at one measurement: a lead has come off and nobody has
 * noticed. Units since the last plausible reading are untested. `readings` in the order of tests.
 */
export function openLeadAlerts(station: string, readings: readonly SeenReading[]): StationAlert[] {
  const byPlace = new Map<string, SeenReading[]>()
  for (const reading of readings) {
    const place = `${reading.step} ${reading.measurement}`
    byPlace.set(place, [...(byPlace.get(place) ?? []), reading])
  }
  return [...byPlace.values()].flatMap((list) => {
    const alerts: StationAlert[] = []
    for (const { first, row, isOpen } of rowsOf(list, isBelow)) {
      const before = list[first - 1]
      const [{ step, measurement }] = row
      const plausible = before && `${before.text} of ${before.serial ?? 'a unit'} at ${writeInstant(before.at)}`
      alerts.push({
        ...alertOf('open-lead-run', station, row),
        isOpen,
        step,
        measurement,
        lastPlausible: before === undefined ? null : { ...shown(before), reading: before.text },
        sentence:
          `${row.length} readings in a row of step ${step}, ${measurement}, are next to nothing: look for an open lead. ` +
          (plausible === undefined
            ? 'No plausible reading came before them in this time.'
            : `The last plausible one was ${plausible}; units since then are untested.`),
      })
    }
    return alerts
  })
}

function isBelow({ value, openLeadMinimum }: SeenReading): boolean {
  return compare(value, openLeadMinimum) < 0
}

/** Every run in which the station judged otherwise than the plan: its limits are not the plan's. One alert for all. */
export function verdictAlerts(
  station: string,
  runs: readonly (SeenRun & { readonly differs: boolean })[],
): StationAlert[] {
  const differing = runs.filter(({ differs }) => differs)
  const [first, ...others] = differing
  if (first === undefined) return []
  return [
    {
      ...alertOf('verdict-differs', station, [first, ...others]),
      isOpen: runs.at(-1)?.differs ?? false,
      step: null,
      measurement: null,
      lastPlausible: null,
      sentence: `The station judged ${differing.length} of ${runs.length} runs otherwise than the plan: compare its limits with the setup sheet.`,
    },
  ]
}

/** Uploads in a row whose plan is of another product: the line tests with the wrong plan. `uploads` by receipt. */
export function mismatchAlerts(
  station: string,
  uploads: readonly (SeenRun & { readonly isMismatch: boolean })[],
): StationAlert[] {
  return rowsOf(uploads, ({ isMismatch }) => isMismatch).map(({ row, isOpen }) => ({
    ...alertOf('product-mismatch-run', station, row),
    isOpen,
    step: null,
    measurement: null,
    lastPlausible: null,
    sentence: `${row.length} uploads in a row cite a plan that is not their product's: check what is being made here.`,
  }))
}

interface Row<Item> {
  /** Its place in the whole list. */
  readonly first: number
  readonly row: readonly [Item, ...Item[]]
  /** It reaches to the end of the list. */
  readonly isOpen: boolean
}

/** Neighbours that are all bad, at least two of them. */
function rowsOf<Item>(list: readonly Item[], isBad: (item: Item) => boolean): Row<Item>[] {
  const rows: Row<Item>[] = []
  let begun: Item[] = []
  list.forEach((item, index) => {
    if (isBad(item)) begun.push(item)
    const isLast = index === list.length - 1
    if (isBad(item) && !isLast) return
    const [head, ...rest] = begun
    const end = isBad(item) ? index + 1 : index
    if (head !== undefined && begun.length >= IN_A_ROW) {
      rows.push({ first: end - begun.length, row: [head, ...rest], isOpen: isBad(item) && isLast })
    }
    begun = []
  })
  return rows
}

function alertOf(code: AlertCode, station: string, runs: readonly [SeenRun, ...SeenRun[]]) {
  const last = runs.at(-1) ?? runs[0]
  return {
    code,
    station,
    since: writeInstant(runs[0].at),
    until: writeInstant(last.at),
    count: runs.length,
    runs: runs.slice(0, RUNS_SHOWN).map(shown),
  }
}

function shown({ runId, serial, at }: SeenRun) {
  return { runId, serial, at: writeInstant(at) }
}
