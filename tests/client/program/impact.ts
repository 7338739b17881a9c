import type { EditionDraft } from './api.ts'
import type { Line } from './drive.ts'
import type { Place } from './place.ts'

const BINDS_BECAUSE = 'House rule of Aldermoor Works.'

/** A rule is to be tightened: what would it do? Gives what publishes it, by another person, who is told so once more. */
export async function askFirst(place: Place, { author, approver, signed }: Line) {
  const draft = place.seed<EditionDraft>('rule-extractor-strength-4')
  const { table, edition } = draft.content
  const { digest } = (await author.createEdition(table, draft)).data
  const asked = (await author.askImpact(table, edition, { effectiveFrom: 'at-once', bindsBecause: BINDS_BECAUSE })).data
  await place.settle()
  const { impact, state, revisionsBlocked } = (await author.getImpact(asked.impact)).data
  const { items } = (await author.listImpactFindings(impact, { limit: 2 })).data
  const found = items.map(({ kind, plan, revision }) => `${kind} ${plan}/${revision}`)
  return async () => {
    const publication = { digest, effectiveFrom: 'at-once', meaning: 'Read and published', bindsBecause: BINDS_BECAUSE }
    const published = (await approver.publishEdition(table, edition, publication, signed())).data
    return { state, revisionsBlocked, found, isRepeated: published.impact?.impact === impact }
  }
}
