// Generates the Prisma client from prisma/schema.prisma. The CLI wants to fetch a schema engine that generating does
// not use; pointing it at an existing file keeps it from asking, so this works the same with and without a network.
// The variable is set for the child only: in a shell it would break a real `prisma migrate`.
import { spawnSync } from 'node:child_process'
import { createRequire } from 'node:module'

let cli
try {
  cli = createRequire(import.meta.url).resolve('prisma/build/index.js')
} catch {
  console.log('The Prisma CLI is not installed (production install); the client is generated at build time.')
  process.exit(0)
}
const generated = spawnSync(process.execPath, [cli, 'generate', '--config', '.config/prisma.ts'], {
  cwd: new URL('..', import.meta.url),
  encoding: 'utf8',
  env: { PRISMA_SCHEMA_ENGINE_BINARY: process.execPath, CHECKPOINT_DISABLE: '1', ...process.env },
})
if (generated.status !== 0) {
  console.error(generated.stdout + generated.stderr)
  process.exit(1)
}
