import type { Bench } from './words.ts'

/**
 * For benches of what is not built yet: they refuse rather than measure something else.
 * @param what what it needs
 */
export function needsRoute(name: string, what: string): Bench {
  return () => Promise.reject(new Error(`The bench ${name} needs ${what}, which this service does not have yet.`))
}
