import { makeLoad } from './bench/load.ts'
import type { LoadAnswer, LoadOrder } from './bench/load-words.ts'

/** The process that makes the load for a bench, so that it does not share a thread with what is measured. */

const say = (answer: LoadAnswer) => process.send?.(answer)

process.on('message', (order: LoadOrder) => {
  makeLoad(order).then(
    (report) => say({ report }),
    (error: unknown) => say({ failed: error instanceof Error ? error.message : String(error) }),
  )
})
