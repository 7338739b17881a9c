import { defineConfig } from 'prisma/config'

/** Prisma's CLI needs a URL even to generate; the service never reads this one. */
export default defineConfig({
  schema: '../prisma/schema.prisma',
  migrations: { path: '../prisma/migrations' },
  datasource: { url: process.env['DATABASE_URL'] ?? 'postgresql://limitkeep@127.0.0.1:5432/limitkeep' },
})
