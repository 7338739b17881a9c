import { chmod, mkdtemp, readFile, rm } from 'node:fs/promises'
import type { AddressInfo } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { goodRun } from '../../src/commands/demo/bench.ts'
import { readDraft, readJsonFile } from '../../src/commands/demo/seed.ts'
import { writeInstant } from '../../src/exact/time.ts'
import { impactPage } from '../../src/impact/acts-step.ts'
import { sequencePage } from '../../src/ledger/acts-sequence.ts'
import { studyPage } from '../../src/studies/acts-step.ts'
import { instant } from '../support/clock.ts'
import { startTestService, type TestService } from '../support/service.ts'
import { buildProgram } from './generate.ts'
import type { Driven, Place } from './program/place.ts'
import { type Exchange, operationsOf, recordingFetch, writeExamples } from './recorder.ts'

/**
 * A client made from the published document by a general tool runs a whole line over a real socket. With
 * RECORD_EXAMPLES=1 what it sends and is answered becomes the examples of the document.
 */

const SEEDS = [
  'rule-appliance-steps-1',
  'rule-appliance-bonding-1',
  'rule-appliance-strength-4',
  'rule-extractor-strength-3',
  'rule-extractor-strength-4',
  'rule-appliance-insulation-1',
  'rule-appliance-touch-1',
  'product-ex36-3',
  'plan-ex36-final-7',
]
const SHIFT_BEGINS = instant('2026-03-16T05:10:00.000Z')
const AFTER_RUN_MS = 34_780

let directory: string
let service: TestService
const exchanges: Exchange[] = []
let driven: Driven
let operationIds: string[]

beforeAll(async () => {
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-client-'))
  await chmod(directory, 0o711)
  service = await startTestService()
  // The clock stands still but for what the program lets pass, so that the same is told each time.
  let at = SHIFT_BEGINS
  service.clock.read = () => at
  await service.app.server.listen({ host: '127.0.0.1', port: 0 })
  const { port } = service.app.server.server.address() as AddressInfo
  const document = JSON.parse(await readFile(new URL('../../openapi/v1.json', import.meta.url), 'utf8'))
  const operations = operationsOf(document)
  operationIds = operations.map(({ operationId }) => operationId)
  const seeds = new Map<string, unknown>([['instrument-ins-0031', await readJsonFile('instrument-ins-0031')]])
  for (const name of SEEDS) seeds.set(name, await readDraft(name))
  const place: Place = {
    url: `http://127.0.0.1:${port}`,
    administratorToken: service.administrator.token ?? '',
    fetch: recordingFetch(operations, exchanges),
    now: () => at,
    pass: (seconds) => {
      at += seconds * 1_000
    },
    settle: async () => {
      while ((await sequencePage(service.database)) !== 0);
      while ((await studyPage(service.database)) === 'more');
      while ((await impactPage(service.database)) === 'more');
    },
    seed<Draft>(name: string) {
      return structuredClone(seeds.get(name)) as Draft
    },
    goodRun: (serial, sequenceNumber, cited) => ({
      ...goodRun({ serial, variant: 'EX36-3M' }, cited, {
        sequenceNumber,
        startedAt: at - AFTER_RUN_MS,
        leadOffsetAt: at - 3_600_000,
      }),
      sentAt: writeInstant(at),
    }),
  }
  const program: { drive(place: Place): Promise<Driven> } = await import(
    /* @vite-ignore */ await buildProgram(directory)
  )
  driven = await program.drive(place)
  if (process.env['RECORD_EXAMPLES'] === '1') await writeExamples(exchanges)
}, 60_000)

afterAll(async () => {
  await service?.close()
  await rm(directory, { recursive: true, force: true })
})

test('every operation of the document is there to be called, and answers as its types say', () => {
  expect([...new Set(exchanges.map(({ operation }) => operation.operationId))].sort()).toEqual([...operationIds].sort())
})

test('what the assignment says is what was keyed in, and it is taken', () => {
  expect(driven['mayTest']).toBe(true)
  expect(driven['cited']).toEqual(driven['told'])
  expect(driven['accepted']).toMatchObject({ status: 201, outcome: 'accepted', verdict: 'pass', repeated: false })
  expect(driven['releasable']).toBe(true)
  expect(driven['attempts']).toBe(1)
})

test('a repeat gets the first answer, other content under its key a conflict', () => {
  const { runId } = driven['accepted'] as { runId: string }
  expect(driven['repeated']).toMatchObject({ status: 201, runId, repeated: true })
  expect(driven['read']).toMatchObject({ runId, outcome: 'accepted' })
  expect(driven['raw']).toBe(driven['sentBytes'])
  expect(driven['conflict']).toMatchObject({
    type: 'urn:limitkeep:problem:upload-key-reused',
    status: 409,
    first: { runId },
  })
})

test('a wrong unit and a stale revision are rejected with the reason, a slow clock is held', () => {
  expect(driven['rejected']).toMatchObject({
    type: 'urn:limitkeep:problem:upload-rejected',
    codes: [{ code: 'unit-ambiguous', pointer: '#/steps/2/measurements/0/reading/unit' }],
  })
  expect(driven['rejectedSerials']).toEqual(['EX36-26-004418'])
  expect(driven['held']).toMatchObject({ status: 202, outcome: 'held', codes: [{ code: 'clock-skew' }] })
  expect(driven['unreleasedReasons']).toEqual(['hold-open'])
  expect(driven['stale']).toMatchObject({ status: 422, codes: [{ code: 'revision-stale' }] })
})

test('a batch is answered line by line, and the same can be asked for later', () => {
  expect(driven['checked']).toEqual({ stored: false, status: 201, outcome: 'accepted' })
  expect(driven['lines']).toMatchObject([
    { line: 1, status: 201, outcome: 'accepted', verdict: 'pass' },
    { line: 2, status: 422, type: 'urn:limitkeep:problem:upload-rejected', codes: [{ code: 'unit-ambiguous' }] },
  ])
  expect(driven['batch']).toMatchObject({ complete: true, lines: 2, counts: { accepted: 1, rejected: 1 } })
  expect(driven['later']).toEqual((driven['lines'] as unknown[]).slice(1))
})

test('a CSV file is taken row by row, and refused whole with the place of its fault', () => {
  expect(driven['rows']).toMatchObject([{ line: 2, status: 201, outcome: 'accepted', verdict: 'pass' }])
  expect(driven['refusedFile']).toMatchObject({
    type: 'urn:limitkeep:problem:file-refused',
    code: 'decimal-mark-wrong',
    row: 2,
    column: 4,
    header: 'leak mA',
  })
  expect(driven['file']).toMatchObject({ station: 'LDS-F2', profile: 1, rows: 1, fault: null })
  expect(driven['bytesAreThose']).toBe(true)
  expect(driven['files']).toEqual(['decimal-mark-wrong', null])
})

test('the feed tells of each upload once, in the order in which they came', () => {
  const [first, second] = driven['lines'] as { runId: string }[]
  const told = [driven['accepted'], driven['held'], first, second] as { runId: string }[]
  const events = driven['events'] as string[]
  expect(new Set(events).size).toBe(events.length)
  expect(events.filter((subject) => told.some(({ runId }) => subject === `runs/${runId}`))).toEqual(
    told.map(({ runId }) => `runs/${runId}`),
  )
})

test('after a change and a withdrawal the station may not test, and is told so', () => {
  expect(driven['changes']).toBe(1)
  expect(driven['mayTestAtLast']).toBe(false)
  expect(driven['leave']).toEqual({ state: 'approved', approvedBy: 'P-0205' })
  expect(driven['checks']).toMatchObject({ says: ['good', 'failed'] })
  expect(driven['unfit']).toMatchObject({ status: 422, errors: [{ pointer: '#/question/calibration' }] })
  expect(driven['alone']).toMatchObject({ type: 'urn:limitkeep:problem:cursor-invalid', status: 400 })
})

test('what a rule would do is told before it is published, and repeated then', () => {
  expect(driven['impact']).toEqual({
    state: 'done',
    revisionsBlocked: 1,
    found: ['revision-blocked ex36-final/7'],
    isRepeated: true,
  })
})
