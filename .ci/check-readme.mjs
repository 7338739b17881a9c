// Every command in README.md is run by a stage or by a test; one that nobody runs would drift from the truth unseen.
import { existsSync, readFileSync } from 'node:fs'

/** Commands by what runs them. */
const COVERED = [
  { pattern: /^npm ci$/, by: 'the stage install' },
  { pattern: /^npm test$/, by: 'the stage tests' },
  { pattern: /^npm run demo(?: -- --json)?$/, by: 'the stage demo' },
  { pattern: /^npm run demo -- --keep$/, by: 'tests/readme.service.test.ts', file: 'tests/readme.service.test.ts' },
  { pattern: /^curl /, by: 'tests/readme.service.test.ts', file: 'tests/readme.service.test.ts' },
  { pattern: /^npm run seed$/, by: 'the stage seed' },
  { pattern: /^npm start$/, by: 'the stage start' },
  { pattern: /^npm run (?:types|lint|contract)$/, by: 'the stage of that name' },
  { pattern: /^bash \.ci\/run$/, by: 'this run' },
]
/** The two that a stranger types first (house rule), word for word. */
const FIRST = ['npm ci && npm run demo', 'npm ci && npm test']

if (!existsSync('README.md')) {
  console.error('README.md is missing.')
  process.exit(1)
}
const text = readFileSync('README.md', 'utf8')
const lines = [...text.matchAll(/^```(?:sh|bash|shell|console)\n([\s\S]*?)^```/gm)].flatMap(([, block]) =>
  block.replace(/\\\n\s*/g, ' ').split('\n'),
)
// Lines of a here-document or a quoted body begin with no command, and belong to the one before.
const commands = lines
  .map((line) =>
    line
      .replace(/^\$ /, '')
      .replace(/(?:^|\s)#.*$/, '')
      .trim(),
  )
  .flatMap((line) => (line.startsWith('curl') ? [line] : line.split('&&').map((part) => part.trim())))
  .map((line) => line.replace(/^(?:[A-Z_]+=\S* )+/, ''))
  .filter((line) => /^(?:npm|npx|node|bash|sh|curl|docker|psql|git)\b/.test(line))

const problems = []
for (const first of FIRST) if (!text.includes(first)) problems.push(`README.md does not say: ${first}`)
for (const command of new Set(commands)) {
  const cover = COVERED.find(({ pattern }) => pattern.test(command))
  if (cover === undefined) problems.push(`No stage and no test runs: ${command}`)
  else if (cover.file !== undefined && !existsSync(cover.file))
    problems.push(`${cover.file} is missing, to run: ${command}`)
}
if (problems.length > 0) {
  console.error(problems.join('\n'))
  process.exit(1)
}
console.log(`${new Set(commands).size} commands of README.md are run by a stage or a test.`)
