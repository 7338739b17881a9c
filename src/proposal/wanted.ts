/** Which steps a product asks for, and between which terminals: by its class and insulations, and by what rules speak of. */
import { isEarthed } from '../plans/product-match.ts'
import { type AnySettings, type PlanContent, settingsOf } from '../plans/words.ts'
import type { insulations } from '../products/attributes.ts'
import type { ProductContent } from '../products/words.ts'
import type { StepKind } from '../rules/words.ts'
import { byDefault, type Why } from './said.ts'

export type Insulation = (typeof insulations)[number]

export interface WantedMeasurement {
  readonly measurement: string
  readonly from?: readonly string[]
  readonly to?: readonly string[]
  readonly polarity?: 'normal' | 'reversed'
  readonly neutral?: 'closed' | 'open'
  readonly protectiveConductor?: 'closed' | 'open'
  readonly instruction?: string
}

export interface Wanted {
  /** Its key: that of the plan's newest revision where it has such a step, so that its readings go on. */
  readonly step: string
  readonly kind: StepKind
  readonly insulation: Insulation | undefined
  readonly measurements: readonly WantedMeasurement[]
  readonly why: Why
  /** What the plan's newest revision says of such a step, where it has one. */
  readonly known?: AnySettings | undefined
  /** Whether a rule asks for its being there; others are left out where rules do not settle what they must be. */
  readonly isDemanded: boolean
}

export interface WantedAsked {
  readonly product: ProductContent
  /** Kinds that a rule wants present, each with the reason. */
  readonly demanded: ReadonlyMap<StepKind, Why>
  /** Kinds that some table in effect says anything of for this product. */
  readonly spokenOf: ReadonlySet<StepKind>
  /** The plan's newest revision, for its keys. */
  readonly before: PlanContent | undefined
}

/** The usual sequence: what makes the others safe comes first. Common practice, no source. */
export const usualOrder: readonly StepKind[] = [
  'inspection',
  'protective-bonding',
  'protective-continuity',
  'electric-strength-ac',
  'electric-strength-dc',
  'insulation-resistance',
  'touch-current',
  'protective-conductor-current',
  'residual-voltage',
]

/** In the usual sequence. Never none: where nothing asks for a test, a person looks. */
export function wantedSteps(asked: WantedAsked): Wanted[] {
  const kinds = wantedKinds(asked)
  if (kinds.size === 0) kinds.set('inspection', byDefault('Nothing asks for a test; a person looks at least.'))
  const names = new Names(asked.before)
  return usualOrder.flatMap((kind) => {
    const why = kinds.get(kind)
    return why === undefined ? [] : stepsOf(kind, why, asked, names)
  })
}

function wantedKinds({ product, demanded, spokenOf, before }: WantedAsked): Map<StepKind, Why> {
  const kinds = new Map(demanded)
  const want = (kind: StepKind, why: Why) => {
    if (!kinds.has(kind)) kinds.set(kind, why)
  }
  const { attributes, variants } = product
  const classes = [attributes, ...(variants ?? []).map((one) => one.attributes)].map((one) => one?.protectionClass)
  if (classes.some(isEarthed)) {
    const because =
      'A product of class 0I or I is protected by its connection to earth (IEC 61140), which each unit must show.'
    want('protective-bonding', { source: 'product', because })
  }
  if (!kinds.has('electric-strength-ac') && !kinds.has('electric-strength-dc')) {
    const isDirect = spokenOf.has('electric-strength-dc') && !spokenOf.has('electric-strength-ac')
    want(isDirect ? 'electric-strength-dc' : 'electric-strength-ac', {
      source: 'product',
      because: 'The product declares insulation, which each unit must show.',
    })
  }
  const further = [
    ...[...spokenOf].map((kind) => [kind, spoken] as const),
    ...(before?.steps ?? []).map(({ kind }) => [kind, kept] as const),
  ]
  for (const [kind, why] of further) {
    if (isStrength(kind) && why === spoken) continue
    if (isBonding(kind) && !attributes.earthedParts?.length) continue
    want(kind, why)
  }
  return kinds
}

const spoken: Why = {
  source: 'rule',
  because: 'A table in effect speaks of such steps for this product, though none asks for one.',
}
const kept: Why = { source: 'plan', because: 'The newest revision has such a step.' }

function isStrength(kind: StepKind): boolean {
  return kind === 'electric-strength-ac' || kind === 'electric-strength-dc'
}

function isBonding(kind: StepKind): boolean {
  return kind === 'protective-bonding' || kind === 'protective-continuity'
}

function stepsOf(kind: StepKind, why: Why, { product, demanded, before }: WantedAsked, names: Names): Wanted[] {
  const isDemanded = demanded.has(kind)
  const single = (measurements: readonly WantedMeasurement[]): Wanted[] => [
    names.named({ step: usualNames[kind], kind, insulation: undefined, measurements, why, isDemanded }),
  ]
  switch (kind) {
    case 'protective-bonding':
    case 'protective-continuity':
      return single(earthedParts(product))
    case 'electric-strength-ac':
    case 'electric-strength-dc':
    case 'insulation-resistance': {
      const groups = byInsulation(product)
      return [...groups].map(([insulation, measurements]) => {
        const step = groups.size === 1 ? usualNames[kind] : `${usualNames[kind]}-${insulation}`
        return names.named({ step, kind, insulation, measurements, why, isDemanded })
      })
    }
    case 'touch-current':
      return single(touchConditions(product))
    case 'protective-conductor-current':
      return single([{ measurement: 'supply' }])
    case 'residual-voltage':
      return single(
        product.attributes.phases === 3
          ? [
              { measurement: 'line-1-to-line-2', from: ['line-1'], to: ['line-2'] },
              { measurement: 'line-2-to-line-3', from: ['line-2'], to: ['line-3'] },
              { measurement: 'line-3-to-line-1', from: ['line-3'], to: ['line-1'] },
            ]
          : [{ measurement: 'line-to-neutral', from: ['line'], to: ['neutral'] }],
      )
    case 'inspection':
      return single(looks(before))
  }
}

/** What the plan has people look at; without that, what they always do. */
function looks(before: PlanContent | undefined): WantedMeasurement[] {
  const known = before?.steps.flatMap((step) => (step.kind === 'inspection' ? [step.measurements] : []))[0]
  if (known) return known.map(({ measurement, instruction }) => ({ measurement, instruction }))
  return [{ measurement: 'whole', instruction: 'Housing, supply cord and marking are whole and undamaged.' }]
}

const usualNames: Readonly<Record<StepKind, string>> = {
  'protective-bonding': 'bond',
  'protective-continuity': 'continuity',
  'electric-strength-ac': 'strength',
  'electric-strength-dc': 'strength-dc',
  'insulation-resistance': 'insulation',
  'touch-current': 'touch',
  'protective-conductor-current': 'conductor-current',
  'residual-voltage': 'residual',
  inspection: 'look',
}

function earthedParts({ attributes }: ProductContent): WantedMeasurement[] {
  const parts = attributes.earthedParts ?? []
  const to = parts.length > 0 ? parts : ['protective-conductor']
  return to.map((part) => ({ measurement: part, from: ['plug-earth-pin'], to: [part] }))
}

/** Pairs of circuits with the same insulation are tested in one step. */
function byInsulation({ attributes }: ProductContent): Map<Insulation, WantedMeasurement[]> {
  const groups = new Map<Insulation, WantedMeasurement[]>()
  const isLive = (terminal: string) => terminal.startsWith('line') || terminal === 'neutral' || terminal === 'live'
  for (const { between, insulation } of attributes.insulations) {
    const [one, other] = isLive(between[1]) && !isLive(between[0]) ? [between[1], between[0]] : between
    const measurement = other === 'protective-conductor' && one === 'live' ? 'live-to-earth' : `${one}-to-${other}`
    const to = terminalsOf(other, attributes.phases)
    const all = { from: terminalsOf(one, attributes.phases).filter((terminal) => !to.includes(terminal)), to }
    groups.set(insulation, [...(groups.get(insulation) ?? []), { measurement: measurement.slice(0, KEY_MAX), ...all }])
  }
  for (const [insulation, list] of groups) groups.set(insulation, list.map(withOwnKey))
  return groups
}

const KEY_MAX = 64

/** Long terminals may give one key when cut; a number at its end tells them apart. */
function withOwnKey(one: WantedMeasurement, index: number, all: readonly WantedMeasurement[]): WantedMeasurement {
  const isTaken = all.findIndex(({ measurement }) => measurement === one.measurement) < index
  return isTaken ? { ...one, measurement: `${one.measurement.slice(0, KEY_MAX - 4)}-${index}` } : one
}

/** All live conductors together: a fault in any of them must show. */
function terminalsOf(terminal: string, phases: number): string[] {
  return terminal === 'live' && phases === 1 ? ['line', 'neutral'] : [terminal]
}

/** Each polarity with the neutral closed and open (IEC 60990, clause 6); a supply of three phases has no polarity. */
function touchConditions({ attributes }: ProductContent): WantedMeasurement[] {
  const polarities = attributes.phases === 1 ? (['normal', 'reversed'] as const) : (['normal'] as const)
  return polarities.flatMap((polarity) =>
    (['closed', 'open'] as const).map((neutral) => ({
      measurement: `${polarity}-${neutral}`,
      polarity,
      neutral,
      protectiveConductor: 'open' as const,
      from: ['accessible-metal'],
    })),
  )
}

/** Keys as the plan has had them, each once. */
class Names {
  private readonly taken = new Set<string>()
  private readonly before: PlanContent | undefined

  constructor(before: PlanContent | undefined) {
    this.before = before
  }

  named(wanted: Wanted): Wanted {
    const known = this.before?.steps.find(
      (step) =>
        step.kind === wanted.kind &&
        !this.taken.has(step.step) &&
        (wanted.insulation === undefined || (step as AnySettings).insulation === wanted.insulation),
    )
    const step = known?.step ?? this.free(wanted.step)
    this.taken.add(step)
    if (!known) return { ...wanted, step }
    const planned = new Map(settingsOf(known).map((settings) => [connectionKey(settings), settings.measurement]))
    const [said] = settingsOf(known)
    const measurements = wanted.measurements.map((one) => ({
      ...one,
      measurement: (wanted.kind === 'inspection' ? undefined : planned.get(connectionKey(one))) ?? one.measurement,
    }))
    const isDistinct = new Set(measurements.map(({ measurement }) => measurement)).size === measurements.length
    return { ...wanted, step, known: said, measurements: isDistinct ? measurements : wanted.measurements }
  }

  /** No key that an earlier step here has, nor one under which the plan has another step. */
  private free(name: string): string {
    const isTaken = (key: string) => this.taken.has(key) || this.before?.steps.some(({ step }) => step === key)
    let key = name
    for (let index = 2; isTaken(key); index += 1) key = `${name}-${index}`
    return key
  }
}

function connectionKey(one: AnySettings | WantedMeasurement): string {
  const { from, to, polarity, neutral, protectiveConductor } = one as AnySettings
  return JSON.stringify([
    [...(from ?? [])].sort(),
    [...(to ?? [])].sort(),
    polarity ?? null,
    neutral ?? null,
    protectiveConductor ?? null,
  ])
}
