import { execFile } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import { existsSync } from 'node:fs'
import { mkdtemp, readFile, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { promisify } from 'node:util'
import pg from 'pg'
import { afterAll, beforeAll, describe, expect, inject, test } from 'vitest'
import { parse } from 'yaml'
import { realClock } from '../src/platform/clock.ts'
import { createLog } from '../src/platform/http/server.ts'
import { type Service, startService } from '../src/service.ts'
import { readSettings } from '../src/settings.ts'

/**
 * What can be known of docker-compose.yml without an engine: its settings are the service's, its database script makes
 * a database that the service starts on, its health check tells a service that is up from one that is not.
 */

interface Container {
  readonly [member: string]: unknown
  readonly environment: Readonly<Record<string, string>>
  readonly build?: { readonly dockerfile_inline: string }
  readonly healthcheck: { readonly test: readonly string[] }
  readonly ports?: readonly string[]
  readonly tmpfs: readonly string[]
}
interface Compose {
  readonly services: { readonly service: Container; readonly postgres: Container }
  readonly configs: { readonly roles: { readonly content: string } }
  readonly [member: string]: unknown
}

const read = (path: string) => readFile(new URL(`../${path}`, import.meta.url), 'utf8')
const text = await read('docker-compose.yml')
const compose: Compose = parse(text)
const { service, postgres } = compose.services
const SECRETS = ['POSTGRES_PASSWORD', 'LIMITKEEP_OWNER_PASSWORD', 'LIMITKEEP_SERVICE_PASSWORD', 'SECRETS_KEY']

describe('the file', () => {
  test('sets every setting of the service and no other, each with a comment', async () => {
    const source = await read('src/settings.ts')
    const settings = [...source.matchAll(/^ {2}([A-Z][A-Z_]+):/gm)].map(([, name = '']) => name)
    expect(settings.length).toBeGreaterThan(5)
    expect(Object.keys(service.environment).sort()).toEqual(settings.sort())
    const lines = text.split('\n').map((line) => line.trim())
    for (const name of settings) {
      const line = lines.findIndex((one) => one.startsWith(`${name}:`))
      // HOST and PORT share one comment.
      expect(lines[name === 'PORT' ? line - 2 : line - 1], name).toMatch(/^# /)
    }
  })

  test.each(SECRETS)('takes %s from the environment, without a default, and says so', (name) => {
    const uses = [...text.matchAll(new RegExp(`\\$\\{${name}([^}]*)\\}`, 'g'))].map(([, rest]) => rest)
    expect(uses.length).toBeGreaterThan(0)
    for (const rest of uses) expect(rest).toMatch(/^:\?./)
    expect(text.slice(0, text.indexOf('\nname:'))).toContain(name)
  })

  test('takes nothing from the environment but those and two that are no secrets', () => {
    const names = [...text.matchAll(/\$\{([A-Z_]+)/g)].map(([, name]) => name)
    expect([...new Set(names)].sort()).toEqual([...SECRETS, 'LIMITKEEP_PORT', 'LOG_LEVEL'].sort())
    // A dollar sign of any other use would be taken for a variable.
    expect(text.replaceAll(/\$\{[A-Z_]+(?::[?-][^}]*)?\}/g, '')).not.toContain('$')
  })

  test.each(Object.entries(compose.services))('runs %s without rights, on a file system it cannot write', (_, one) => {
    expect(one['user']).toMatch(/^(?!root$|0)[a-z]+$/)
    expect(one).toMatchObject({ read_only: true, cap_drop: ['ALL'], security_opt: ['no-new-privileges:true'] })
    expect(one['privileged']).toBeUndefined()
    expect(one.tmpfs.some((place) => place.startsWith('/tmp:'))).toBe(true)
  })

  test('shows the service to this machine alone, and the database to the service alone', () => {
    expect(service.ports).toHaveLength(1)
    expect(service.ports?.[0]).toMatch(/^127\.0\.0\.1:/)
    expect(postgres.ports).toBeUndefined()
    expect(postgres['networks']).toEqual(['back'])
    expect(compose['networks']).toMatchObject({ back: { internal: true } })
    expect(service['depends_on']).toEqual({ postgres: { condition: 'service_healthy' } })
    expect(postgres['image']).toBe('postgres:18')
  })

  test('copies into its image what is there, and all that is read while building and running', () => {
    const lines = service.build?.dockerfile_inline.split('\n') ?? []
    const copied = lines
      .filter((line) => /^COPY (?!--from)/.test(line))
      .flatMap((line) => line.split(/\s+/).slice(1, -1))
    for (const path of copied) expect(existsSync(new URL(`../${path}`, import.meta.url)), path).toBe(true)
    const last = lines.slice(lines.lastIndexOf('FROM node:20-slim'))
    for (const path of ['package.json', 'prisma', 'seed', '/app/node_modules', '/app/dist']) {
      expect(
        last.some((line) => line.startsWith('COPY') && line.split(' ').includes(path)),
        path,
      ).toBe(true)
    }
    expect(last).toContain('USER node')
    expect(last).toContain('CMD ["node", "dist/main.js"]')
  })
})

describe('what it starts', () => {
  const suffix = randomBytes(4).toString('hex')
  /** Names of this test's own, because the cluster is shared. */
  const own = (value: string) => value.replace(/\blimitkeep(_owner|_service)?\b/g, (name) => `${name}_${suffix}`)
  const secrets: Record<string, string> = Object.fromEntries(
    SECRETS.map((name) => [
      name,
      name === 'SECRETS_KEY' ? randomBytes(32).toString('base64') : `Pw${randomBytes(12).toString('hex')}`,
    ]),
  )
  const filled = (value: string) =>
    value.replace(/\$\{([A-Z_]+)(?::\?[^}]*|:-([^}]*))\}/g, (_, name, otherwise) => otherwise ?? secrets[name] ?? '')

  let directory: string
  let admin: pg.Client
  let running: Service
  const logged: string[] = []

  beforeAll(async () => {
    directory = await mkdtemp(join(tmpdir(), 'limitkeep-compose-'))
    const cluster = new URL(inject('cluster').adminUrl)
    admin = new pg.Client({ connectionString: cluster.href })
    await admin.connect()
    for (const statement of statementsOf(compose.configs.roles.content)) await admin.query(statement)
    const environment = Object.fromEntries(
      Object.entries(service.environment).map(([name, value]) => [
        name,
        filled(value.startsWith('postgresql:') ? own(value).replace('@postgres:5432/', `@${cluster.host}/`) : value),
      ]),
    )
    const settings = readSettings({ ...environment, PORT: '0', DATA_DIRECTORY: join(directory, 'data') })
    const log = createLog('info')
    log.warn = (...told: unknown[]) => logged.push(JSON.stringify(told))
    log.level = 'silent'
    running = await startService(settings, { clock: realClock, log })
  }, 60_000)

  afterAll(async () => {
    await running?.stop()
    await admin.query(own('DROP DATABASE IF EXISTS limitkeep WITH (FORCE)'))
    for (const role of ['limitkeep_owner', 'limitkeep_service']) await admin.query(own(`DROP ROLE IF EXISTS ${role}`))
    await admin.end()
    await rm(directory, { recursive: true, force: true })
  })

  /** The script as psql runs it: \getenv sets a variable, :'name' is its value as a literal. */
  function statementsOf(script: string): string[] {
    const values = new Map<string, string>()
    const sql = script
      .split('\n')
      .filter((line) => {
        const [, variable, name] = /^\\getenv (\S+) (\S+)$/.exec(line) ?? []
        if (variable === undefined || name === undefined) return true
        expect(postgres.environment, 'the script reads what the container is given').toHaveProperty(name)
        values.set(variable, filled(postgres.environment[name] ?? ''))
        return false
      })
      .join('\n')
      .replace(/:'([a-z_]+)'/g, (_, variable: string) => pg.escapeLiteral(values.get(variable) ?? ''))
    return own(sql)
      .split(';\n')
      .filter((statement) => statement.trim() !== '')
  }

  test('the service gets ready on the database that the script makes, which keeps what was appended', async () => {
    const answer = await fetch(`${running.url.replace('0.0.0.0', '127.0.0.1')}/readyz`)
    expect(await answer.json()).toEqual({
      status: 'ready',
      database: 'answers',
      migrations: 'applied',
      appendOnly: 'enforced',
    })
    expect(running.administratorToken).toMatch(/^lk_/)
    expect(logged).toEqual([])
  })

  test('the database is not for everyone, and nothing is written to the data folder', async () => {
    const { rows } = await admin.query<{ may: boolean }>(`SELECT has_database_privilege($1, $2, 'CONNECT') AS may`, [
      new URL(inject('cluster').serviceUrl).username,
      own('limitkeep'),
    ])
    expect(rows).toEqual([{ may: false }])
    expect(existsSync(join(directory, 'data'))).toBe(false)
  })

  test('the health check says that it is up, and says it is not where nothing listens', async () => {
    const [how, command, ...told] = service.healthcheck.test
    expect([how, command]).toEqual(['CMD', 'node'])
    const check = async (port: string) => {
      const args = told.map((one) => one.replace(':8080/', `:${port}/`))
      try {
        await promisify(execFile)(process.execPath, args)
        return 0
      } catch (error) {
        return (error as { code: unknown }).code
      }
    }
    expect(await check(new URL(running.url).port)).toBe(0)
    expect(await check('1')).toBe(1)
  })
})
