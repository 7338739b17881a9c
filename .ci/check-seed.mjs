// The seed is the same each time: these counts were read once, and each was compared with what its line is said to live
// through (works.ts). Another number means that judging, admission or the happenings have changed.
import { readFileSync } from 'node:fs'

const EXPECTED = [
  { product: 'BC12', sent: 376, accepted: 371, held: 5, rejected: 0, pass: 367, fail: 4, invalid: 0 },
  { product: 'BC30', sent: 349, accepted: 349, held: 0, rejected: 0, pass: 345, fail: 4, invalid: 0 },
  { product: 'EX36', sent: 650, accepted: 649, held: 0, rejected: 1, pass: 638, fail: 11, invalid: 0 },
  { product: 'EX52', sent: 577, accepted: 577, held: 0, rejected: 0, pass: 568, fail: 3, invalid: 6 },
  { product: 'GS18', sent: 579, accepted: 579, held: 0, rejected: 0, pass: 553, fail: 26, invalid: 0 },
  { product: 'GS26', sent: 524, accepted: 524, held: 0, rejected: 0, pass: 518, fail: 6, invalid: 0 },
]

const lines = readFileSync(process.argv[2] ?? '', 'utf8')
  .trimEnd()
  .split('\n')
const found = lines.at(-1) ?? ''
if (found !== JSON.stringify(EXPECTED)) {
  console.error(`The seed came to\n${found}\nand not to\n${JSON.stringify(EXPECTED)}`)
  process.exit(1)
}
console.log('The seed came to what it always comes to.')
