// The demo's output ends with one JSON object alone on a line; every kind of outcome it tells of must have happened.
import { readFileSync } from 'node:fs'

const COUNTS =
  'accepted held rejected pass fail invalid stale blockedRevisions duplicateAnswers conflicts releasable notReleasable'

const last =
  readFileSync(process.argv[2] ?? '', 'utf8')
    .trimEnd()
    .split('\n')
    .at(-1) ?? ''
let counts
try {
  counts = JSON.parse(last)
} catch {
  console.error(`The demo did not end with JSON but with: ${last}`)
  process.exit(1)
}
const names = new Set([...COUNTS.split(' '), ...Object.keys(counts)])
const wrong = [...names].filter((name) => !(Number.isSafeInteger(counts[name]) && counts[name] > 0))
if (wrong.length > 0) {
  console.error(`These counts should be above zero: ${wrong.map((name) => `${name} ${counts[name]}`).join(', ')}`)
  process.exit(1)
}
console.log(`The demo counted ${[...names].map((name) => `${name} ${counts[name]}`).join(', ')}.`)
