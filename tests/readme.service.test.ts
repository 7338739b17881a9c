import { execFile } from 'node:child_process'
import { chmod, mkdtemp, readFile, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { promisify } from 'node:util'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { type DemoRun, runDemo } from '../src/commands/demo/run.ts'
import { UploadWire } from '../src/intake/words.ts'
import { codeOutcomes, uploadCodes } from '../src/judging/words.ts'
import { readSettings } from '../src/settings.ts'
import { createTestDatabase, type TestDatabase } from './support/database.ts'

const read = (path: string) => readFile(new URL(`../${path}`, import.meta.url), 'utf8')
const readme = await read('README.md')

/** The fenced blocks of one language, in order. */
function blocksOf(language: string): string[] {
  return [...readme.matchAll(new RegExp(`^\`\`\`${language}\\n([\\s\\S]*?)^\`\`\``, 'gm'))].map(
    ([, block]) => block ?? '',
  )
}

let directory: string
let database: TestDatabase
let demo: DemoRun

beforeAll(async () => {
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-readme-'))
  await chmod(directory, 0o711)
  database = await createTestDatabase('template1')
  const settings = readSettings({
    DATABASE_URL: database.serviceUrl,
    DATABASE_OWNER_URL: database.ownerUrl,
    DATA_DIRECTORY: join(directory, 'demo-data'),
    PORT: '0',
    LOG_LEVEL: 'warn',
  })
  demo = await runDemo(settings, () => undefined)
})

afterAll(async () => {
  await demo?.stop()
  await database?.drop()
  await rm(directory, { recursive: true, force: true })
})

test('the commands of the integrator page answer as it says, one after the other', async () => {
  const blocks = blocksOf('sh').filter((block) => block.includes('curl'))
  const told = blocks.map((block) => Number(/^# answers (\d+)$/m.exec(block)?.[1]))
  expect(told).toEqual([201, 201, 409, 422, 200, 200, 200, 200])
  // One shell for all, as a reader has; what each prints ends with its status.
  const script = blocks.join("\nprintf '=====\\n'\n")
  const { stdout, stderr } = await promisify(execFile)('sh', ['-euc', script], { cwd: directory })
  expect(stderr).toBe('')
  const answers = stdout.split('=====\n').map((printed) => {
    const lines = printed.trimEnd().split('\n')
    return { status: Number(lines.at(-1)), body: JSON.parse(lines.slice(0, -1).join('\n')) }
  })
  expect(answers.map(({ status }) => status)).toEqual(told)
  const [first, repeat, conflict, rejected, release, assignment, line, graph] = answers.map(({ body }) => body)
  expect(first).toMatchObject({ outcome: 'accepted', verdict: 'pass', repeated: false, release: { releasable: true } })
  expect(repeat).toMatchObject({ runId: first.runId, outcome: 'accepted', repeated: true })
  expect(conflict).toMatchObject({ type: 'urn:limitkeep:problem:upload-key-reused', first: { runId: first.runId } })
  expect(rejected.codes).toMatchObject([{ code: 'unit-ambiguous', pointer: '#/steps/2/measurements/0/reading/unit' }])
  expect(release).toMatchObject({ releasable: true, serial: 'EX36-26-004450' })
  expect(line).toMatchObject({ line: 1, status: 201, repeated: true, runId: first.runId })
  expect(assignment).toMatchObject({ mayTest: true, revision: 9, programming: 'PG-0194' })
  expect(graph.data.runs.edges).toHaveLength(5)
  expect(graph.data.runs.edges[2].node).toMatchObject({
    serial: 'EX36-26-004450',
    unit: { release: { releasable: true } },
  })
})

test('what is told of the statuses 400, 401, 403 and 415 is so', async () => {
  const send = async (headers: Record<string, string>, body = '{}') =>
    (await fetch(`${demo.url}/v1/runs`, { method: 'POST', headers, body })).status
  const json = { 'content-type': 'application/json' }
  const station = { authorization: `Bearer ${demo.keys['STATION_KEY']}` }
  expect(await send({ ...json, ...station }, '{"uploadKey":')).toBe(400)
  expect(await send(json)).toBe(401)
  expect(await send({ ...json, authorization: `Bearer ${demo.keys['MANAGER_KEY']}` })).toBe(403)
  expect(await send({ ...station, 'content-type': 'text/csv' })).toBe(415)
  expect(await send({ ...json, ...station }, `"${'x'.repeat(1_048_576)}"`)).toBe(413)
})

test('the upload shown has the shape that is taken', () => {
  const shown = blocksOf('json').map((block) => UploadWire.safeParse(JSON.parse(block)))
  expect(shown.map(({ error }) => error)).toEqual([undefined])
})

test('every code of an upload is in the table, and no other', () => {
  const rows = readme.split('\n').filter((line) => /^\| (?:rejected|held|accepted):/.test(line))
  const listed = rows.flatMap((row) => {
    const [, outcome = '', codes = ''] = row.split('|')
    return [...codes.matchAll(/`([a-z-]+)`/g)].map(([, code]) => [code, outcome.trim().split(':')[0]])
  })
  expect(Object.fromEntries(listed)).toEqual(codeOutcomes)
  expect(listed).toHaveLength(uploadCodes.length)
})

test('every setting is in the table, and every npm script named is there', async () => {
  const source = await read('src/settings.ts')
  const settings = [...source.matchAll(/^ {2}([A-Z][A-Z_]+):/gm)].map(([, name]) => name)
  const listed = readme.split('\n').flatMap((line) => /^\| (`[A-Z_`, ]+) \|/.exec(line)?.[1]?.match(/[A-Z_]+/g) ?? [])
  expect(listed).toEqual(settings.sort((one, other) => listed.indexOf(one ?? '') - listed.indexOf(other ?? '')))
  expect(listed).toHaveLength(settings.length)
  const { scripts }: { scripts: Record<string, string> } = JSON.parse(await read('package.json'))
  const named = [...readme.matchAll(/npm run ([a-z:]+)/g)].map(([, name]) => name ?? '')
  expect(named.filter((name) => scripts[name] === undefined)).toEqual([])
})
