// Generates the Prisma client and compiles to dist, unless dist was made from exactly these files: a start on an
// existing data folder should not wait four seconds for a compiler that has nothing to do.
import { spawnSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { readdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { fileURLToPath } from 'node:url'

const ROOT = new URL('../', import.meta.url)
const STAMP = new URL('dist/built-from.txt', ROOT)
const INPUTS = ['src/', 'prisma/schema.prisma', '.config/', 'tsconfig.json', 'package.json', 'package-lock.json']

/** Names, sizes and times of change of everything that the output is made from. Node's version picks the output too. */
function inputs() {
  const hash = createHash('sha256').update(process.version)
  for (const input of INPUTS) {
    const url = new URL(input, ROOT)
    const names = input.endsWith('/') ? readdirSync(url, { recursive: true }).sort() : ['']
    for (const name of names) {
      const { mtimeMs, size } = statSync(name === '' ? url : new URL(name, url))
      hash.update(`\n${input}${name} ${mtimeMs} ${size}`)
    }
  }
  return hash.digest('hex')
}

function stamp() {
  try {
    return readFileSync(STAMP, 'utf8')
  } catch (error) {
    if (error.code === 'ENOENT') return undefined
    throw error
  }
}

function run(...command) {
  const { status } = spawnSync(process.execPath, command, { cwd: fileURLToPath(ROOT), stdio: 'inherit' })
  if (status !== 0) process.exit(status ?? 1)
}

if (stamp() !== inputs()) {
  // A build that is broken off must not look finished.
  rmSync(STAMP, { force: true })
  run('.config/generate-client.mjs')
  run('node_modules/typescript/bin/tsc', '-p', 'tsconfig.json')
  writeFileSync(STAMP, inputs())
}
