import { z } from 'zod'

/** Every setting of the service, as the environment gives it. Anything absent has a default that works on one machine. */
const SettingsEnv = z.object({
  DATABASE_URL: PostgresUrl().optional(),
  DATABASE_OWNER_URL: PostgresUrl().optional(),
  DATA_DIRECTORY: z.string().min(1).default('./data'),
  HOST: z.string().min(1).default('127.0.0.1'),
  PORT: z
    .string()
    .regex(/^[0-9]{1,5}$/, 'a port is a number')
    .default('8080')
    .transform(Number)
    .refine((port) => port <= 65_535, 'a port is at most 65535'),
  LOG_LEVEL: z.enum(['fatal', 'error', 'warn', 'info', 'debug', 'trace', 'silent']).default('info'),
  SECRETS_KEY: z
    .string()
    .transform((text) => new Uint8Array(Buffer.from(text, 'base64')))
    .refine((key) => key.length === 32, 'a secrets key is 32 bytes in base64')
    .optional(),
})

function PostgresUrl() {
  return z.string().refine(isPostgresUrl, 'a database URL begins with postgresql:// and names a database')
}

function isPostgresUrl(text: string): boolean {
  return URL.canParse(text) && ['postgresql:', 'postgres:'].includes(new URL(text).protocol)
}

export interface Settings {
  /** The database to serve from, and the role that owns and migrates it; undefined: an embedded one. */
  readonly database: { readonly serviceUrl: string; readonly ownerUrl: string } | undefined
  /** Holds the embedded database and the file of the secrets key. */
  readonly dataDirectory: string
  readonly host: string
  /** 0: any free port. */
  readonly port: number
  readonly logLevel: string
  /** Seals the secrets for one-time codes; undefined: a file in the data directory. */
  readonly secretsKey: Uint8Array | undefined
}

/**
 * The settings in an environment, checked once. An empty variable counts as absent, since that is how compose files
 * leave one out. Throws one error that names every wrong variable, never its value.
 */
export function readSettings(env: Readonly<Record<string, string | undefined>>): Settings {
  const given = Object.fromEntries(Object.entries(env).filter(([, value]) => value !== undefined && value !== ''))
  const read = SettingsEnv.safeParse(given)
  if (!read.success) {
    const lines = read.error.issues.map((issue) => `  ${issue.path.join('.')}: ${issue.message}`)
    throw new Error(`Settings that cannot be used:\n${lines.join('\n')}`)
  }
  const { DATABASE_URL, DATABASE_OWNER_URL, ...rest } = read.data
  if (DATABASE_URL === undefined && DATABASE_OWNER_URL !== undefined) {
    throw new Error('Settings that cannot be used:\n  DATABASE_OWNER_URL: it is of no use without DATABASE_URL')
  }
  return {
    database:
      DATABASE_URL === undefined
        ? undefined
        : { serviceUrl: DATABASE_URL, ownerUrl: DATABASE_OWNER_URL ?? DATABASE_URL },
    dataDirectory: rest.DATA_DIRECTORY,
    host: rest.HOST,
    port: rest.PORT,
    logLevel: rest.LOG_LEVEL,
    secretsKey: rest.SECRETS_KEY,
  }
}
