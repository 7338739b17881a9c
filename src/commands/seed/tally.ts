import type { z } from 'zod'
import type { BatchLineWire } from '../../intake/batch-words.ts'
import type { Run } from './readings.ts'

type BatchLine = z.infer<typeof BatchLineWire>

/** Takes one run with what the service answered. */
export type Count = (run: Run, answer: BatchLine) => void

/** What was answered for one product, counted from the answers themselves. */
export interface ProductCounts {
  readonly product: string
  readonly sent: number
  readonly accepted: number
  readonly held: number
  readonly rejected: number
  /** Verdicts of the accepted runs. */
  readonly pass: number
  readonly fail: number
  readonly invalid: number
}

/** Counts answers by product. Throws at an answer that is no outcome of an upload. */
export function countByProduct(): { readonly count: Count; counts(): ProductCounts[] } {
  const byProduct = new Map<string, { -readonly [Name in keyof ProductCounts]: ProductCounts[Name] }>()
  return {
    count(run, answer) {
      const counts = byProduct.get(run.product) ?? emptyCounts(run.product)
      byProduct.set(run.product, counts)
      const { outcome, verdict } = answer as { outcome?: string; verdict?: string | null }
      counts.sent += 1
      if (outcome !== 'accepted' && outcome !== 'held' && outcome !== 'rejected') {
        throw new Error(`${run.uploadKey} was answered: ${JSON.stringify(answer)}`)
      }
      counts[outcome] += 1
      if (outcome === 'accepted' && (verdict === 'pass' || verdict === 'fail' || verdict === 'invalid'))
        counts[verdict] += 1
    },
    counts: () => [...byProduct.values()].sort((one, other) => (one.product < other.product ? -1 : 1)),
  }
}

function emptyCounts(product: string) {
  return { product, sent: 0, accepted: 0, held: 0, rejected: 0, pass: 0, fail: 0, invalid: 0 }
}
