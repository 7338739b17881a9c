import { defineConfig } from 'vitest/config'

/** Files that need the embedded database; everything else is pure and runs in threads without it. */
const SERVICE = [
  'tests/**/*.service.test.ts',
  'tests/race/**/*.test.ts',
  'tests/platform/database/**/*.test.ts',
]

export default defineConfig({
  root: new URL('..', import.meta.url).pathname,
  test: {
    projects: [
      {
        test: {
          name: 'pure',
          include: ['tests/**/*.test.ts'],
          exclude: SERVICE,
          pool: 'threads',
          isolate: false,
          setupFiles: ['tests/support/compile-zod.ts'],
        },
      },
      {
        test: {
          name: 'service',
          include: SERVICE,
          pool: 'forks',
          maxWorkers: 2,
          globalSetup: ['tests/support/cluster.ts'],
          setupFiles: ['tests/support/compile-zod.ts'],
          testTimeout: 30_000,
          hookTimeout: 60_000,
        },
      },
    ],
  },
})
