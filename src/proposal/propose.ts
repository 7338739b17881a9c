/** A plan proposed from a product version and the rules in effect, with a reason for every number. */
import { readQuantity } from '../exact/quantity.ts'
import { checkPrepared, type RevisionCheck } from '../plans/check.ts'
import { checkPhysics, type ProductSubject } from '../plans/physics.ts'
import { prepareRevision } from '../plans/prepare.ts'
import type { RuleTimeline } from '../plans/rule-timeline.ts'
import { type PlanContent, StepWire, settingsOf } from '../plans/words.ts'
import { type ConfirmedVersion, variantNames } from '../products/versions.ts'
import type { StepKind } from '../rules/words.ts'
import { accuracyOf } from '../stations/capability.ts'
import type { Capabilities } from '../stations/words.ts'
import { faultsOf, type Head, type ProposedStep, planHead, withoutFaults } from './assemble.ts'
import { type Box, unbounded } from './bounds.ts'
import { buildStep } from './build.ts'
import type { Building, Built, StoredReading } from './building.ts'
import { chooseRows } from './choose.ts'
import { demandedKinds, demandedOf, kindsSpokenOf, momentsOf, type Rules } from './demands.ts'
import { openBefore, openFindings, openMisfits, openRow, openUnresolved } from './open.ts'
import { attributesOf, candidatesOf } from './stated.ts'
import { type Wanted, wantedSteps } from './wanted.ts'
import type { Open, Reason } from './words.ts'

export interface Asked extends Head {
  readonly isConfirmed: boolean
  /** Those known, the one proposed for among them. */
  readonly versions: readonly ConfirmedVersion[]
  readonly timeline: RuleTimeline
  /** The instant from which rules are met; milliseconds since the epoch. */
  readonly from: number
  readonly before: PlanContent | undefined
  readonly readings: readonly StoredReading[]
  readonly readingsOf: readonly string[]
  readonly instrument: ProposedInstrument | undefined
}

export interface ProposedInstrument {
  readonly instrument: string
  readonly capabilities: Capabilities
}

export interface Proposed {
  readonly content: PlanContent
  readonly reasons: readonly Reason[]
  readonly open: readonly Open[]
  readonly check: RevisionCheck
}

/** Pure: the same product, rules and readings give the same proposal. */
export function proposePlan(asked: Asked): Proposed {
  const { version, versions, timeline, from } = asked
  const variants = variantNames(version.content)
  const rules: Rules = { timeline, moments: momentsOf(timeline, versions, from), variants }
  const subjectsOf = subjectReader(rules)
  const { kinds, unresolved } = demandedKinds(rules)
  const spokenOf = kindsSpokenOf(rules, (kind) =>
    candidatesOf(kind, asked.before).flatMap((stated) => attributesOf(kind, stated, insulationsOf(asked))),
  )
  const wanted = wantedSteps({ product: version.content, demanded: kinds, spokenOf, before: asked.before })
  const open: Open[] = openUnresolved(unresolved, null)
  if (!asked.isConfirmed) {
    open.push({
      pointer: null,
      text: `Version ${version.version} of ${version.product} is not confirmed: a second person must confirm it before a revision for it can be used.`,
    })
  }
  const steps = wanted.flatMap((one) => {
    const proposed = proposeStep(one, rules, { ...asked, variants, subjectsOf })
    open.push(...proposed.left)
    return proposed.step ? [proposed.step] : []
  })
  const sound = withoutFaults(steps, asked)
  open.push(...sound.open)
  const { content, reasons } = sound
  const read = prepareRevision(content)
  if ('refused' in read) throw new TypeError(`the proposal cannot be read: ${read.refused}`)
  const check = checkPrepared(read.prepared, { versions, timeline, from })
  return {
    content,
    reasons,
    open: [
      ...open,
      ...openBefore(asked.before, content),
      ...openMisfits(content, asked.instrument),
      ...openFindings(check.findings, content),
    ],
    check,
  }
}

interface StepContext extends Asked {
  readonly variants: readonly string[]
  readonly subjectsOf: (variant: string) => readonly ProductSubject[]
}

/** One step within all tables, or why it is left out. */
function proposeStep(wanted: Wanted, rules: Rules, context: StepContext): { step?: ProposedStep; left: Open[] } {
  const { kind, insulation } = wanted
  const options = candidatesOf(kind, context.before).map((stated) => {
    const [attributes = {}] = attributesOf(kind, stated, [insulation])
    return { stated, ...demandedOf(rules, kind, attributes) }
  })
  const [first] = options
  const option = options.find(({ unresolved }) => unresolved.length === 0) ?? first
  if (!option) return { left: [] }
  const { stated, demanded, unresolved } = option
  const isOptional = !wanted.isDemanded && (wanted.why.source !== 'product' || insulation === 'functional')
  if (unresolved.length > 0 && isOptional) {
    const text = `A step ${kind}${insulation ? ` of ${insulation} insulation` : ''} is left out: `
    return { left: openUnresolved(unresolved, null).map((one) => ({ ...one, text: text + one.text })) }
  }
  const building: Building = {
    variants: context.variants,
    subjectsOf: context.subjectsOf,
    stated,
    reach: reachOf(kind, context.instrument),
    miss: missOf(kind, context.instrument),
    readings: context.readings,
    readingsOf: context.readingsOf,
  }
  const isSound = (box: Box) => isUsable(buildStep(wanted, box, building), building, context)
  const { box, dropped } = chooseRows(demanded, { kind, isSound })
  const built = buildStep(wanted, box, building) ?? buildStep(wanted, unbounded, building)
  if (!built)
    return {
      left: [{ pointer: null, text: `A step ${kind} could not be proposed: the product’s ratings leave no test.` }],
    }
  const open = [...openUnresolved(unresolved, null), ...dropped.map((one) => openRow(one, kind))]
  return { step: { wanted, box, built, open }, left: [] }
}

/** Whether a plan could say the step, and sound units pass it. */
function isUsable(built: Built | undefined, { variants, subjectsOf }: Building, asked: Asked): boolean {
  const read = StepWire.safeParse(built?.step.value)
  if (!built || !read.success) return false
  const alone = { ...(planHead(asked, []).value as object), steps: [built.step.value] }
  if (faultsOf(alone, asked.version.content).length > 0) return false
  return settingsOf(read.data).every((settings) =>
    variants.every((variant) =>
      subjectsOf(variant).every((subject) =>
        checkPhysics(settings, subject).every(({ severity }) => severity !== 'blocking'),
      ),
    ),
  )
}

function insulationsOf({ version }: Asked): string[] {
  return [...new Set(version.content.attributes.insulations.map(({ insulation }) => insulation))]
}

function subjectReader({ timeline, moments, variants }: Rules): StepContext['subjectsOf'] {
  const all = new Map(
    variants.map((variant) => {
      const versions = new Set(
        moments.map(({ version }) => version).filter(({ content }) => variantNames(content).includes(variant)),
      )
      return [variant, [...versions].map((version) => timeline.subjectOf(version, variant))]
    }),
  )
  return (variant) => all.get(variant) ?? []
}

// ------------------------------------------------------------------------------------------------ the instrument

function reachOf(kind: StepKind, instrument: ProposedInstrument | undefined): Building['reach'] {
  const ranges = instrument?.capabilities.kinds.filter((one) => one.kind === kind).map(({ range }) => range) ?? []
  const [only, ...others] = ranges
  // Of several ranges none is chosen here; what does not fit is told by the setup sheet.
  if (!instrument || !only || others.length > 0) return undefined
  const bound = (value: string | null | undefined) => {
    const read = readQuantity({ value, unit: only.unit })
    return 'quantity' in read ? read.quantity.value : undefined
  }
  return { least: bound(only.least), most: bound(only.most), instrument: instrument.instrument }
}

/** What the instrument states of the accuracy of what it sets. */
function missOf(kind: StepKind, instrument: ProposedInstrument | undefined): Building['miss'] {
  const [only, ...others] = instrument?.capabilities.kinds.filter((one) => one.kind === kind) ?? []
  const share = only && others.length === 0 ? accuracyOf(only.accuracy) : undefined
  if (!instrument || share === undefined || !only?.accuracy) return undefined
  const { value, unit } = only.accuracy
  const because = `${instrument.instrument} may miss what is set by ${value} ${unit} either way.`
  return { share, why: { source: 'instrument', because } }
}
