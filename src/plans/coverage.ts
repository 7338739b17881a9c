/**
 * What a plan leaves open or untested though no rule forbids it. All of it warns: what nobody checked must not look
 * checked to whoever signs.
 */
import { type Found, found } from './findings.ts'
import type { ProductSubject } from './physics.ts'
import { isEarthed } from './product-match.ts'
import { acceptedEnds, type WindowName } from './windows.ts'
import type { AnySettings, Settings, Step } from './words.ts'

/** Stresses of which too much harms the unit. A time at stress, or of reading, has no such end. */
const harmful = ['testVoltage', 'testCurrent', 'supplyVoltage'] as const satisfies readonly WindowName[]

/** Stresses of one measurement that may be as high as you like, since no most is stated. */
export function findOpenAbove(settings: Settings): Found[] {
  const { step, measurement } = settings
  const windows: AnySettings = settings
  return harmful.flatMap((parameter) => {
    const window = windows[parameter]
    if (!window || acceptedEnds(parameter, window).most) return []
    return [found({ severity: 'warning', code: 'window-open-above', step, measurement, parameter })]
  })
}

/** Every terminal that some bonding measurement is connected to; undefined where the plan has no step of bonding. */
export function bondedTerminals(steps: readonly Step[]): ReadonlySet<string> | undefined {
  let bonded: Set<string> | undefined
  for (const { kind, measurements } of steps) {
    if (kind !== 'protective-bonding') continue
    bonded ??= new Set()
    for (const { from, to } of measurements as readonly AnySettings[])
      for (const terminal of [...(from ?? []), ...(to ?? [])]) bonded.add(terminal)
  }
  return bonded
}

/**
 * Bonding that an earthed product needs and the plan leaves out: all of it, variant by variant, or some earthed part.
 * @param found what the rules have found so far: where they demand the step, nothing is said twice
 */
export function checkBonding(
  bonded: ReadonlySet<string> | undefined,
  asked: {
    readonly subjects: readonly ProductSubject[]
    readonly earthedParts: readonly string[]
    readonly found: readonly Found[]
  },
): Found[] {
  const earthed = asked.subjects.filter(({ attributes }) => isEarthed(attributes.get('protectionClass')))
  if (earthed.length === 0) return []
  if (bonded === undefined) {
    return earthed
      .map(({ variant }) => variant || null)
      .filter((variant) => !asked.found.some((one) => one.variant === variant && demandsBonding(one)))
      .map((variant) => found({ severity: 'warning', code: 'bond-missing', variant }))
  }
  return asked.earthedParts
    .filter((part) => !bonded.has(part))
    .map((part) => found({ severity: 'warning', code: 'earthed-part-not-tested', facts: { part } }))
}

function demandsBonding({ parameter, demanded }: Found): boolean {
  return parameter === 'stepPresent' && Array.isArray(demanded) && demanded.includes('protective-bonding')
}

/** A measurement of one variant that no table in effect applies to. */
export interface Silence {
  readonly measurement: string
  readonly variant: string
}

/** The measurements of a step that no table in effect applies to, said once where that is so for every variant. */
export function checkSilence(step: Step, silences: readonly Silence[], variantCount: number): Found[] {
  const head = { severity: 'warning', code: 'rules-silent', step: step.step } as const
  if (silences.length === step.measurements.length * variantCount) return silences.length === 0 ? [] : [found(head)]
  return step.measurements.flatMap(({ measurement }) => {
    const those = silences.filter((one) => one.measurement === measurement)
    if (those.length === variantCount) return [found({ ...head, measurement })]
    return those.map(({ variant }) => found({ ...head, measurement, variant: variant || null }))
  })
}
