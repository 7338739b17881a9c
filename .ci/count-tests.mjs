// Prints `passed failed` of Vitest's JSON report: node .ci/count-tests.mjs <report> <exit code of the suite>
// What failed without being a test (a file that could not be loaded, an error between tests) counts as a failure, too;
// and so does a test that was left out, since the suite then proves less than it says.
import { readFileSync } from 'node:fs'

const [, , path = '', exitCode = '1'] = process.argv
let report
try {
  report = JSON.parse(readFileSync(path, 'utf8'))
} catch (error) {
  console.error(`The suite left no report: ${error.message}`)
  console.log('0 1')
  process.exit(0)
}
const results = report.testResults.flatMap((file) => file.assertionResults.map((one) => ({ ...one, file: file.name })))
const passed = results.filter(({ status }) => status === 'passed')
const failures = results
  .filter(({ status }) => status !== 'passed')
  .map(({ status, file, fullName }) => `${status}: ${file} ${fullName}`)
for (const file of report.testResults) {
  const isExplained = file.assertionResults.some(({ status }) => status === 'failed')
  if (file.status === 'failed' && !isExplained) failures.push(`not loaded: ${file.name} ${file.message}`)
}
if (passed.length === 0) failures.push('no test passed')
if (exitCode !== '0' && failures.length === 0) failures.push(`the suite ended with exit code ${exitCode}`)
for (const failure of failures) console.error(failure)
console.log(`${passed.length} ${failures.length}`)
