import type { Bench } from './words.ts'

/** For a bench that is planned and not built yet: it refuses rather than measure something else. */
export function notBuilt(name: string): Bench {
  return () => Promise.reject(new Error(`The bench ${name} is not built yet.`))
}
