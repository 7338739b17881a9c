import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { defineConfig } from 'vitest/config'

/** Files that need the embedded database; everything else is pure and runs in threads without it. */
const SERVICE = ['tests/**/*.service.test.ts', 'tests/race/**/*.test.ts', 'tests/platform/database/**/*.test.ts']

/** Where continuous integration (CI=true) finds the results as JSON. */
const REPORT = process.env['TEST_REPORT'] ?? join(tmpdir(), 'limitkeep-test-report.json')

/** Node takes graphql's main file; Vite would take another build of it, and the two refuse each other's types. */
const resolve = { alias: [{ find: /^graphql$/, replacement: 'graphql/index.js' }] }

export default defineConfig({
  root: fileURLToPath(new URL('..', import.meta.url)),
  test: {
    reporters: process.env['CI'] === 'true' ? ['default', ['json', { outputFile: REPORT }]] : ['default'],
    // A test left switched off, or alone, by mistake would make the suite prove less than it says.
    allowOnly: false,
    projects: [
      {
        resolve,
        test: {
          name: 'pure',
          include: ['tests/**/*.test.ts'],
          exclude: SERVICE,
          pool: 'threads',
          isolate: false,
          setupFiles: ['tests/support/compile-zod.ts'],
          sequence: { groupOrder: 0 },
        },
      },
      {
        resolve,
        test: {
          name: 'service',
          include: SERVICE,
          pool: 'forks',
          maxWorkers: 2,
          globalSetup: ['tests/support/cluster.ts'],
          setupFiles: ['tests/support/compile-zod.ts'],
          testTimeout: 30_000,
          hookTimeout: 60_000,
          // After the pure tests, so that the two kinds do not compete for the processors.
          sequence: { groupOrder: 1 },
        },
      },
    ],
  },
})
