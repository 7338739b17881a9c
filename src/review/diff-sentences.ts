import type { MemberRule } from './diff-members.ts'
import type { Difference } from './diff-values.ts'
import type { Change, ChangeKind, ChangeSide } from './diff-words.ts'

/** A change in words for whoever signs the newer revision. */
export function sentenceOf(
  place: Pick<Change, 'step' | 'measurement'>,
  { words, absent = 'none' }: Pick<MemberRule<never>, 'words' | 'absent'>,
  { kind, from, to, changePercent, variants, aspect }: Difference,
): string {
  const whom = variants === null ? '' : ` for ${variants.join(', ')}`
  const what = `the ${aspectWords(words, aspect)}${whom} was ${kind}`
  return capital(`${placeWords(place)}${what}${sidesText(kind, { from, to, absent })}${percentText(changePercent)}.`)
}

/** A step or measurement that came, went or is called otherwise. `what` says what it is. */
export function arrivalSentence(
  place: { readonly step: string; readonly measurement: string | null },
  kind: 'added' | 'removed',
  what: string,
): string {
  return place.measurement === null
    ? `Step ${place.step} was ${kind}: ${what}.`
    : `Step ${place.step}: the measurement ${place.measurement} was ${kind}: ${what}.`
}

export function renameSentence(
  place: { readonly step: string; readonly measurement: string | null },
  { from, to }: { readonly from: string; readonly to: string },
): string {
  const what =
    place.measurement === null
      ? `Step ${from} was renamed: it is now called ${to}`
      : `Step ${place.step}: the measurement ${from} was renamed: it is now called ${to}`
  return `${what}. Trends and reasons use the new key.`
}

export function orderSentence(
  step: string | null,
  { from, to }: { readonly from: readonly string[]; readonly to: readonly string[] },
): string {
  const what = step === null ? 'The steps were' : `Step ${step}: the measurements were`
  return `${what} reordered: ${from.join(', ')} before, ${to.join(', ')} now.`
}

function placeWords({ step, measurement }: Pick<Change, 'step' | 'measurement'>): string {
  if (step === null) return ''
  return measurement === null ? `Step ${step}: ` : `Step ${step}, measurement ${measurement}: `
}

function aspectWords(words: string, aspect: Difference['aspect']): string {
  switch (aspect) {
    case 'set':
      return `${words} set`
    case 'least':
      return `least ${words} accepted`
    case 'most':
      return `greatest ${words} accepted`
    case 'formula':
      return `formula of the ${words}`
    case null:
      return words
  }
}

interface Sides {
  readonly from: ChangeSide
  readonly to: ChangeSide
  readonly absent: string
}

function sidesText(kind: ChangeKind, { from, to, absent }: Sides): string {
  // Whether a number on the limit passes is said only where it changed, or is new.
  const isInclusionNews = kind === 'added' || kind === 'removed' || inclusionOf(from) !== inclusionOf(to)
  const text = (side: ChangeSide) => (side === null ? absent : sideText(side, isInclusionNews))
  if (kind === 'added') return `: ${text(to)}`
  if (kind === 'removed') return `: ${text(from)} before`
  return `: ${text(from)} before, ${text(to)} now`
}

function inclusionOf(side: ChangeSide): boolean | undefined {
  return typeof side === 'object' && side !== null && 'inclusive' in side ? side.inclusive : undefined
}

function sideText(side: NonNullable<ChangeSide>, isInclusionNews: boolean): string {
  if (typeof side === 'boolean') return side ? 'yes' : 'no'
  if (typeof side !== 'object') return String(side)
  if (Array.isArray(side)) return side.length === 0 ? 'none' : side.join(', ')
  if ('least' in side) return rangeText(side)
  const number = `${side.value} ${side.unit}`
  if (!('inclusive' in side) || !isInclusionNews) return number
  return `${number} (${side.inclusive ? 'a number on the limit passes' : 'a number on the limit fails'})`
}

function rangeText({ least, most, unit }: { least: string | null; most: string | null; unit: string }): string {
  if (least === most) return `${least ?? 'any'} ${unit}`
  if (most === null) return `at least ${least} ${unit}`
  return least === null ? `at most ${most} ${unit}` : `${least} to ${most} ${unit}`
}

function percentText(changePercent: string | null): string {
  if (changePercent === null) return ''
  return ` (${changePercent.startsWith('-') ? '' : '+'}${changePercent} %)`
}

function capital(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1)
}
