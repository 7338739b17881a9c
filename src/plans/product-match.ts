import { terminalsOf } from '../products/content.ts'
import type { ProductContent } from '../products/words.ts'
import type { AnySettings, Settings, Step } from './words.ts'

/** Something that the plan says of the product and a version of the product does not have so. */
export interface Disagreement {
  /** RFC 6901, inside the plan's content. */
  readonly pointer: string
  readonly detail: string
  readonly step: string
  readonly measurement: string
}

/** How a product can be connected to a tester, and what lies between its circuits. */
export interface Connections {
  readonly terminals: ReadonlySet<string>
  /** Terminals that are joined to the protective conductor. */
  readonly earth: ReadonlySet<string>
  /** The insulations declared between two circuits, from either to the other. */
  readonly insulations: ReadonlyMap<string, ReadonlyMap<string, readonly string[]>>
}

/** Classes whose protection is a connection to earth (IEC 61140, 7.3). */
const earthedClasses: readonly string[] = ['0I', 'I']

const liveTerminals: readonly string[] = ['line', 'neutral', 'line-1', 'line-2', 'line-3', 'live']

/** Whether a product of this class is protected by a connection to earth. */
export function isEarthed(protectionClass: unknown): boolean {
  return typeof protectionClass === 'string' && earthedClasses.includes(protectionClass)
}

/**
 * The accessible metal of an earthed product counts as joined to earth, unless the product declares an insulation of its
 * own for it.
 */
export function connectionsOf(product: ProductContent): Connections {
  const { protectionClass, earthedParts, insulations } = product.attributes
  const earth = new Set(['protective-conductor', 'plug-earth-pin', ...(earthedParts ?? [])])
  const isApart = insulations.some(({ between }) => between.includes('accessible-metal'))
  if (isEarthed(protectionClass) && !isApart) earth.add('accessible-metal')
  const declared = new Map<string, Map<string, string[]>>()
  const declare = (from: string, to: string, insulation: string) => {
    const ofFrom = declared.get(from) ?? new Map<string, string[]>()
    declared.set(from, ofFrom.set(to, [...(ofFrom.get(to) ?? []), insulation]))
  }
  for (const { between, insulation } of insulations) {
    const [one, other] = [circuitOf(between[0], earth), circuitOf(between[1], earth)]
    declare(one, other, insulation)
    if (one !== other) declare(other, one, insulation)
  }
  return { terminals: terminalsOf(product), earth, insulations: declared }
}

/** The circuit that a terminal belongs to: all live terminals are one, all that are joined to earth another. */
function circuitOf(terminal: string, earth: ReadonlySet<string>): string {
  if (liveTerminals.includes(terminal)) return 'live'
  return earth.has(terminal) ? 'protective-conductor' : terminal
}

/**
 * Whether a test lies across the capacitance that the product declares from live to earth. In a product without
 * protective earth that is the capacitance to its accessible metal.
 */
export function liesAcrossLiveAndEarth(
  { from, to }: { readonly from: readonly string[]; readonly to: readonly string[] },
  { earth }: Connections,
  protectionClass: unknown,
): boolean {
  const isLive = (terminal: string) => liveTerminals.includes(terminal)
  const isEarth = (terminal: string) =>
    earth.has(terminal) || (terminal === 'accessible-metal' && !isEarthed(protectionClass))
  return (from.some(isLive) && to.some(isEarth)) || (to.some(isLive) && from.some(isEarth))
}

/** Terminals that the product does not have, and insulations that it declares otherwise or not at all. */
export function findDisagreements(
  steps: readonly { readonly step: Step; readonly settings: readonly Settings[] }[],
  connections: Connections,
): Disagreement[] {
  const found: Disagreement[] = []
  steps.forEach(({ step: { step, measurements }, settings }, at) => {
    settings.forEach((one, index) => {
      const { measurement } = one
      const pointer = `/steps/${at}/measurements/${index}`
      const said: AnySettings = one
      let isKnown = true
      for (const side of ['from', 'to'] as const) {
        said[side]?.forEach((terminal, position) => {
          if (connections.terminals.has(terminal)) return
          isKnown = false
          const detail = `the product has no terminal ${terminal}`
          found.push({ pointer: `${pointer}/${side}/${position}`, detail, step, measurement })
        })
      }
      if (!isKnown || !('insulation' in one)) return
      for (const detail of checkInsulation(one, connections)) {
        const own = measurements[index]
        const saidBy = own && 'insulation' in own && own.insulation ? pointer : `/steps/${at}`
        found.push({ pointer: `${saidBy}/insulation`, detail, step, measurement })
      }
    })
  })
  return found
}

type InsulationTest = Extract<Settings, { insulation: string }>

/** Every pair that the test lies across must be declared, with the insulation that the step says. */
function checkInsulation({ insulation, from, to }: InsulationTest, { earth, insulations }: Connections): string[] {
  const details: string[] = []
  for (const one of from) {
    for (const other of to) {
      const declared = insulations.get(circuitOf(one, earth))?.get(circuitOf(other, earth))
      if (!declared) details.push(`the product declares no insulation between ${one} and ${other}`)
      else if (!declared.includes(insulation)) {
        details.push(`between ${one} and ${other} the product declares ${declared.join(', ')} insulation`)
      }
    }
  }
  return details
}
