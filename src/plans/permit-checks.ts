import { variantNames } from '../products/versions.ts'
import { type PermitRecord, permitContent } from './permit-record.ts'
import { prepareRevision } from './prepare.ts'
import { relaxationOf, relaxedContent } from './relax.ts'
import { type BroughtForward, bringForward, type CheckedSoFar, type RuleBook } from './replay.ts'
import type { Block } from './step-blocks.ts'
import type { PlanContent } from './words.ts'

/** A permit with the content of its revision, which never changes. */
export interface PermitToCheck {
  readonly record: PermitRecord
  readonly content: PlanContent
  /** From when on it is to be used. */
  readonly from: number
}

export interface PermitCheck {
  readonly permit: string
  readonly blocks: readonly Block[]
}

/** A permit as a revision to be checked: the revision with its limit relaxed. */
export interface PermitSoFar extends CheckedSoFar {
  readonly permit: string
}

/** A permit as it was left by its last check. */
export function permitSoFar({ record, content, from }: PermitToCheck, book: RuleBook): PermitSoFar {
  const cited = book.versionsOf(content.product).find(({ version }) => version === content.productVersion)
  const relaxed = relaxedContent(
    content,
    [relaxationOf(permitContent(record))],
    cited === undefined ? [] : variantNames(cited.content),
  )
  return {
    permit: record.permit,
    product: content.product,
    read: prepareRevision(relaxed),
    from,
    checkedVersion: record.checkedVersion,
    blocks: JSON.parse(record.blocks) as Block[],
  }
}

/**
 * What rules published since the last check make of permits: each is blocked from where its revision would be, were the
 * relaxed limit its own. A permit is never beyond the rules, and a rule that reaches a revision reaches its permits.
 */
export function checkPermits(
  permits: readonly PermitToCheck[],
  book: RuleBook,
  tellFailure: (permit: string, error: unknown) => void,
): PermitCheck[] {
  const asked = permits.map((permit) => permitSoFar(permit, book))
  const brought: ReadonlyMap<PermitSoFar, BroughtForward> = bringForward(asked, book, {
    tellFailure: ({ permit }, error) => tellFailure(permit, error),
    isLate: () => false,
  })
  return asked.map((one) => ({ permit: one.permit, blocks: brought.get(one)?.blocks ?? [] }))
}
