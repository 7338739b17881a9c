import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { chmod, mkdtemp, readdir, readFile, rm, writeFile } from 'node:fs/promises'
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { emptyFolder, noteAddress } from '../src/commands/demo/folder.ts'
import { runDemo } from '../src/commands/demo/run.ts'
import { beginShift } from '../src/commands/demo/shift.ts'
import { tellStory } from '../src/commands/demo/story.ts'
import { readSettings } from '../src/settings.ts'
import { createTestDatabase } from './support/database.ts'

/** Counted by hand from the story; the demo counts the answers it gets. */
const COUNTS = {
  accepted: 11,
  held: 1,
  rejected: 4,
  pass: 8,
  fail: 2,
  invalid: 1,
  stale: 1,
  blockedRevisions: 1,
  duplicateAnswers: 1,
  conflicts: 1,
  releasable: 7,
  notReleasable: 4,
}

let directory: string

beforeAll(async () => {
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-demo-'))
  // The embedded database may run as another user, who must pass through.
  await chmod(directory, 0o711)
})
afterAll(async () => {
  await rm(directory, { recursive: true, force: true })
})

/** The demo as a person starts it, in a folder of its own and with the settings of a real service around. */
async function runChild(...options: string[]): Promise<{ code: unknown; output: string; errors: string }> {
  const command = fileURLToPath(new URL('../src/commands/demo.ts', import.meta.url))
  const child = spawn(process.execPath, ['--import', import.meta.resolve('tsx'), command, ...options], {
    cwd: directory,
    env: { PATH: process.env['PATH'], DATABASE_URL: 'postgresql://nobody@127.0.0.1:1/real' },
  })
  let output = ''
  let errors = ''
  child.stdout.on('data', (chunk) => {
    output += chunk
  })
  child.stderr.on('data', (chunk) => {
    errors += chunk
  })
  const [code] = await once(child, 'close')
  return { code, output, errors }
}

/** The story once more in this process, on a database of the test's own cluster. */
async function runHere(): Promise<string[]> {
  const database = await createTestDatabase('template1')
  const lines: string[] = []
  try {
    const settings = readSettings({
      DATABASE_URL: database.serviceUrl,
      DATABASE_OWNER_URL: database.ownerUrl,
      DATA_DIRECTORY: join(directory, 'here'),
      PORT: '0',
      LOG_LEVEL: 'warn',
    })
    const demo = await runDemo(settings, (line) => lines.push(line))
    await demo.stop()
    expect(demo.totals).toEqual(COUNTS)
  } finally {
    await database.drop()
  }
  return lines
}

test('tells the whole story twice the same, ends by itself, and counts what it was answered', async () => {
  const [{ code, output, errors }, here] = await Promise.all([runChild('--json'), runHere()])
  expect({ code, errors }).toEqual({ code: 0, errors: '' })
  const lines = output.trimEnd().split('\n')
  expect(JSON.parse(lines.at(-1) ?? '')).toEqual(COUNTS)
  // The skew is measured, so its digits are the only thing that differs, and with them where the lines are broken.
  const story = (told: readonly string[]) =>
    told
      .join('\n')
      .replace(/\n {7,}/g, ' ')
      .replace(/clock is [0-9.]+ s behind/, 'clock is some s behind')
  expect(story(lines.slice(0, -1))).toBe(story(here))
  expect(output).toMatch(/CAUTION\..*invented.*not limits for a real product/)
  for (const told of [
    'High voltage can kill. Local codes and licensed practice govern',
    '403 two-people-required',
    '422 rejected: unit-ambiguous at #/steps/2/measurements/0/reading/unit',
    '202 held: clock-skew',
    '422 rejected: revision-stale',
    'It would block 1 revision and end 0 permits; 0 plans could not be checked, and 0 stored runs would not have passed.',
    'extractor-strength/4 row b4 demands testVoltage >= 1250 V; the plan accepts',
    'Revision 1 of bc12-final was checked again: conforms',
    '422 rejected: revision-blocked',
    'stays here, failure-unexplained',
  ]) {
    expect(output.replace(/\n {7,}/g, ' ')).toContain(told)
  }
}, 60_000)

test('empties its own folder, and no other', async () => {
  const own = join(directory, 'own')
  await emptyFolder(own)
  await writeFile(join(own, 'old.txt'), 'from the last time')
  await emptyFolder(own)
  expect(await readdir(own)).toEqual(['demo.txt'])

  const other = await mkdtemp(join(directory, 'other-'))
  await writeFile(join(other, 'precious.txt'), 'not ours')
  await expect(emptyFolder(other)).rejects.toThrow(/not the demo's/)
  expect(await readFile(join(other, 'precious.txt'), 'utf8')).toBe('not ours')
})

test('leaves the folder of a demo that is still up alone', async () => {
  const server = createServer((_, response) => response.end('{"status":"alive"}')).listen(0, '127.0.0.1')
  await once(server, 'listening')
  const url = `http://127.0.0.1:${(server.address() as AddressInfo).port}`
  const folder = join(directory, 'up')
  await emptyFolder(folder)
  await noteAddress(folder, url)
  await expect(emptyFolder(folder)).rejects.toThrow(`A demo is still up at ${url}`)
  server.close()
  await once(server, 'close')
  await emptyFolder(folder)
  expect(await readdir(folder)).toEqual(['demo.txt'])
})

test('stops at the first answer that is not as told, and says which', async () => {
  const server = createServer((_, response) => {
    response.writeHead(500, { 'content-type': 'application/problem+json' }).end('{"status":500}')
  }).listen(0, '127.0.0.1')
  await once(server, 'listening')
  const url = `http://127.0.0.1:${(server.address() as AddressInfo).port}`
  const story = tellStory({ url, administratorToken: 'lk_x', shift: beginShift(), write: () => undefined })
  await expect(story).rejects.toThrow('POST /v1/sites: expected 201, was answered 500: {"status":500}')
  server.close()
})

test('ends with another exit code where it cannot tell its story, and leaves no database running', async () => {
  await expect(readdir(join(directory, 'demo-data'))).resolves.not.toContain('url.txt')
  await rm(join(directory, 'demo-data', 'demo.txt'))
  const { code, output, errors } = await runChild('--json')
  expect({ code, output }).toEqual({ code: 1, output: '' })
  expect(errors).toMatch(/not the demo's/)
}, 60_000)
