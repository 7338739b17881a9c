import { execFile } from 'node:child_process'
import { copyFile, mkdir, readFile, symlink, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { fileURLToPath, pathToFileURL } from 'node:url'
import { promisify } from 'node:util'
import { generateApi } from 'swagger-typescript-api'

const root = fileURLToPath(new URL('../../', import.meta.url))

/** How a careful client's project is checked: the generated file as well as the program. */
const COMPILER_OPTIONS = {
  target: 'es2023',
  lib: ['es2023', 'dom', 'dom.iterable'],
  module: 'nodenext',
  strict: true,
  noUncheckedIndexedAccess: true,
  noImplicitReturns: true,
  rewriteRelativeImportExtensions: true,
  skipLibCheck: true,
  types: ['node'],
  rootDir: 'source',
  outDir: 'out',
}

/**
 * Makes a client from the committed document by a general tool, compiles it strictly with a program written against it,
 * and gives the address of the compiled program. Throws with what the compiler says.
 */
export async function buildProgram(directory: string): Promise<string> {
  const source = join(directory, 'source')
  await mkdir(source, { recursive: true })
  await generateApi({ input: join(root, 'openapi/v1.json'), output: source, fileName: 'api.ts', silent: true })
  // The tool switches the checks of its own file off. Types that are wrong would stay unseen.
  const api = await readFile(join(source, 'api.ts'), 'utf8')
  const checked = api.replace(/^\/\/ @ts-nocheck\n/m, '')
  if (checked === api) throw new Error('the generated client no longer begins as expected')
  await writeFile(join(source, 'api.ts'), checked)
  for (const file of ['drive.ts', 'checks.ts', 'impact.ts', 'leave.ts', 'place.ts']) {
    await copyFile(join(root, 'tests/client/program', file), join(source, file))
  }
  await writeFile(join(directory, 'package.json'), JSON.stringify({ type: 'module' }))
  await writeFile(join(directory, 'tsconfig.json'), JSON.stringify({ compilerOptions: COMPILER_OPTIONS }))
  await symlink(join(root, 'node_modules'), join(directory, 'node_modules'), 'dir')
  await compile(directory)
  return pathToFileURL(join(directory, 'out/drive.js')).href
}

async function compile(directory: string): Promise<void> {
  try {
    await promisify(execFile)(process.execPath, [join(root, 'node_modules/typescript/bin/tsc'), '-p', directory])
  } catch (error) {
    const said = error instanceof Error && 'stdout' in error ? String(error.stdout) : ''
    throw new Error(`the client does not compile:\n${said}`, { cause: error })
  }
}
