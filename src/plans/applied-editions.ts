import { digestOf } from '../exact/canonical.ts'
import type { RevisionCheck } from './check.ts'
import { remember } from './remember.ts'

/** The editions that apply, as many checks say alike: all but when the first interval begins. */
export interface AppliedEditions {
  readonly digest: string
  readonly from: number
  readonly applied: string
  readonly editions: readonly string[]
}

const appliedEditions = new WeakMap<RevisionCheck, AppliedEditions>()

export function appliedOf(check: RevisionCheck): AppliedEditions {
  return remember(appliedEditions, check, () => writeApplied(check))
}

function writeApplied({ applied, editions }: RevisionCheck): AppliedEditions {
  const intervals = applied.map(({ from, until, editions: those }, index) => {
    return `{"from":${index === 0 ? null : from},"until":${until},"editions":${listText(those)}}`
  })
  const text = `[${intervals.join(',')}]`
  const [first] = applied
  if (first === undefined) throw new TypeError('a check says of the time from its beginning on what applies')
  return { digest: digestOf(`${text} ${listText(editions)}`), from: first.from, applied: text, editions }
}

const listTexts = new WeakMap<readonly string[], string>()

/** A list of editions as JSON text: many checks share one. */
function listText(editions: readonly string[]): string {
  return remember(listTexts, editions, () => JSON.stringify(editions))
}

/** What these checks say of it, each once. */
export function appliedByAny(checks: readonly RevisionCheck[]): AppliedEditions[] {
  const distinct = new Map(checks.map(appliedOf).map((one) => [one.digest, one]))
  return [...distinct.values()]
}
