import { randomBytes, randomUUID } from 'node:crypto'
import { chmod, chown, link, mkdir, readdir, readFile, realpath, rename, rm, stat, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import pg from 'pg'
import { z } from 'zod'
import type { Installation } from './embedded-install.ts'

/** Where an embedded cluster keeps what. `directory` is the service's data folder; the server sees `cluster` only. */
export interface ClusterFiles {
  readonly directory: string
  readonly cluster: string
  readonly passwords: Passwords
}

const PasswordsFile = z.strictObject({ admin: z.string().min(1), owner: z.string().min(1), service: z.string().min(1) })
export type Passwords = Readonly<z.infer<typeof PasswordsFile>>

export const roles = { admin: 'limitkeep_admin', owner: 'limitkeep_owner', service: 'limitkeep_app' } as const
export const DATABASE = 'limitkeep'

/** A half-made cluster left by a process that was killed; old enough that no process is still making it. */
const ABANDONED_AFTER_MS = 600_000

/** Makes the folder, the passwords and the cluster where they are missing; each is complete or not there at all. */
export async function prepareCluster(
  installation: Installation,
  wanted: string,
  options: { durable: boolean },
): Promise<ClusterFiles> {
  await mkdir(wanted, { recursive: true, mode: installation.serverUser ? 0o711 : 0o700 })
  // One name for one folder, however it was reached, because a running server is known by its folder's name.
  const directory = await realpath(wanted)
  if (installation.serverUser) {
    // The server's user passes through to its own folder, and sees nothing else on the way.
    const { mode } = await stat(directory)
    if ((mode & 0o011) !== 0o011) await chmod(directory, (mode & 0o777) | 0o011)
  }
  const cluster = join(directory, 'postgres')
  const passwords = await readPasswords(directory)
  const program = await installation.run(installation.postgres, ['--version'], directory)
  const version = await clusterVersion(cluster)
  if (version === undefined) {
    await makeCluster(installation, directory, cluster, passwords.admin, options)
  } else {
    const major = /\b(\d+)[.\d]*\b/.exec(program)?.[1]
    if (major !== version) {
      throw new Error(
        `The data in ${cluster} was made by PostgreSQL ${version}, and this release brings ${major}. Start the release that made it and export, or upgrade the data.`,
      )
    }
  }
  return { directory, cluster, passwords }
}

async function clusterVersion(cluster: string): Promise<string | undefined> {
  return (await readIfThere(join(cluster, 'PG_VERSION')))?.trim()
}

/** The file's text; undefined where there is no such file. */
export async function readIfThere(path: string): Promise<string | undefined> {
  try {
    return await readFile(path, 'utf8')
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return undefined
    throw error
  }
}

/** The three passwords, readable by our user alone, made once and before the cluster that knows them. */
async function readPasswords(directory: string): Promise<Passwords> {
  const path = join(directory, 'postgres-passwords.json')
  const text = await readIfThere(path)
  if (text !== undefined) return checkedPasswords(text, path)
  if ((await clusterVersion(join(directory, 'postgres'))) !== undefined) {
    throw new Error(
      `${path} is missing, and the database beside it cannot be opened without it. Put it back from a copy.`,
    )
  }
  const secret = () => randomBytes(24).toString('base64url')
  const made: Passwords = { admin: secret(), owner: secret(), service: secret() }
  // Linked into place when complete, so a kill leaves no half file; of two processes that start at once the first to
  // link wins, and the other reads what it wrote.
  const complete = `${path}.${randomUUID()}`
  await writeFile(complete, `${JSON.stringify(made, null, 2)}\n`, { mode: 0o600, flush: true })
  try {
    await link(complete, path)
    return made
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error
    return checkedPasswords(await readFile(path, 'utf8'), path)
  } finally {
    await rm(complete, { force: true })
  }
}

function checkedPasswords(text: string, path: string): Passwords {
  const parsed = PasswordsFile.safeParse(parsedOrUndefined(text))
  if (!parsed.success) throw new Error(`${path} does not hold the three passwords it should. Put it back from a copy.`)
  return parsed.data
}

function parsedOrUndefined(text: string): unknown {
  try {
    return JSON.parse(text)
  } catch {
    return undefined // The schema refuses it, in words that say which file.
  }
}

/** Makes a cluster beside its place and moves it there, so that a kill half-way leaves no half cluster. */
async function makeCluster(
  installation: Installation,
  directory: string,
  cluster: string,
  password: string,
  options: { durable: boolean },
): Promise<void> {
  await removeAbandoned(directory)
  const made = join(directory, `postgres.new-${randomUUID()}`)
  const passwordFile = `${made}.password`
  try {
    await mkdir(made, { mode: 0o700 })
    await writeFile(passwordFile, `${password}\n`, { mode: 0o600 })
    if (installation.serverUser) {
      const { uid, gid } = installation.serverUser
      await chown(made, uid, gid)
      await chown(passwordFile, uid, gid)
    }
    await installation.run(
      installation.initdb,
      [
        `--pgdata=${made}`,
        `--username=${roles.admin}`,
        `--pwfile=${passwordFile}`,
        '--auth=scram-sha-256',
        '--encoding=UTF8',
        '--locale=C',
        '--locale-provider=builtin',
        '--builtin-locale=C.UTF-8',
        '--no-instructions',
        ...(options.durable ? [] : ['--no-sync']),
      ],
      directory,
    )
    await rename(made, cluster)
  } catch (error) {
    // Another process that started at the same time was first; its cluster is as good as ours.
    if ((await clusterVersion(cluster)) === undefined) throw error
  } finally {
    await rm(passwordFile, { force: true })
    await rm(made, { recursive: true, force: true })
  }
}

async function removeAbandoned(directory: string): Promise<void> {
  for (const name of await readdir(directory)) {
    if (!name.startsWith('postgres.new-')) continue
    const path = join(directory, name)
    const { mtimeMs } = await stat(path)
    if (Date.now() - mtimeMs > ABANDONED_AFTER_MS) await rm(path, { recursive: true, force: true })
  }
}

/** Makes the two roles and the database where they are missing. All the superuser is used for. */
export async function provision(admin: pg.Client, passwords: Passwords): Promise<void> {
  for (const [role, password] of [
    [roles.owner, passwords.owner],
    [roles.service, passwords.service],
  ] as const) {
    const found = await admin.query('SELECT FROM pg_roles WHERE rolname = $1', [role])
    if (found.rowCount === 0) {
      await admin.query(`CREATE ROLE ${role} LOGIN PASSWORD ${pg.escapeLiteral(password)}`)
    }
  }
  const found = await admin.query('SELECT FROM pg_database WHERE datname = $1', [DATABASE])
  if (found.rowCount === 0) await admin.query(`CREATE DATABASE ${DATABASE} OWNER ${roles.owner}`)
  await admin.query(`REVOKE ALL ON DATABASE ${DATABASE} FROM PUBLIC`)
  await admin.query(`GRANT CONNECT ON DATABASE ${DATABASE} TO ${roles.service}`)
}
