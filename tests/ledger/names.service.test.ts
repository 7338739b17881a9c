import { afterAll, beforeAll, expect, test } from 'vitest'
import { arrivalKinds, eventKinds } from '../../src/ledger/words.ts'
import { checkPageBehind } from '../../src/plans/acts/ensure-checked.ts'
import { tickPage } from '../../src/schedule/acts-tick.ts'
import { studyPage } from '../../src/studies/acts-step.ts'
import { confirmProfile, fileOf, profileContent, sendFile } from '../csv/station-files.ts'
import { ex36, extractorStrength, planWire } from '../support/aldermoor.ts'
import { iso, type Line, openLine } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

/** A whole line that has done every act there is, so that every entry of the ledger is looked at. */
let line: Line

beforeAll(async () => {
  line = await openLine()
  // A test takes a while, so that it starts after the programming.
  line.setClock(line.now() + 60_000)
  const { author, approver, keyer, operator, service } = line
  const { runId } = created(await line.send(line.upload())).body
  expected(await line.send(line.upload((wire) => Object.assign(wire, { person: 'P-9999' }))), 202)

  /** Writes content and replaces it. */
  const replaced = async (path: string, number: number, content: unknown) => {
    const { digest } = created(await author.post(path, { content, changeReason: 'first thought' })).body
    const body = { content, changeReason: 'second thought' }
    expected(await author.put(`${path}/${number}`, body, { 'if-match': `"${digest}"` }), 200)
  }
  await replaced('/v1/products/EX36/versions', 4, ex36({ version: 4 }))
  await replaced('/v1/rule-tables/extractor-strength/editions', 3, extractorStrength())
  await replaced('/v1/plans/ex36-final/revisions', 8, { ...planWire, revision: 8 })
  await giveLeave(runId)
  const ending = { at: iso(line.now()), reason: 'settings were changed at the tester' }
  expected(await operator.post('/v1/programmings/PG-0192/ending', ending), 200)
  const reason = { reason: 'the limit was copied wrongly' }
  expected(await approver.post('/v1/plans/ex36-final/revisions/7/withdrawal', reason), 200)

  await changeOnADate()

  await confirmProfile(line, profileContent(line, 1))
  expect((await sendFile(line, fileOf([]))).status).toBe(200)
  const stopped = { reason: 'the unit of a column is wrong' }
  expected(await author.post('/v1/stations/LDS-F2/profiles/1/withdrawal', stopped), 200)

  const numbers = { step: 'touch', measurement: 'normal-open', member: 'reading', reason: 'read wrongly' }
  const to = { value: '0.941', unit: 'mA' }
  const made = created(await author.post(`/v1/runs/${runId}/corrections`, { ...numbers, to })).body
  const signed = { digest: made.digest, meaning: 'compared' }
  expected(await approver.sign(`/v1/runs/${runId}/corrections/${made.correctionId}/confirmation`, signed), 200)

  const opened = { eventKey: 'RPR-0310', site: 'leeds', event: 'opened', at: iso(line.now()) }
  created(await approver.post('/v1/units/EX36/EX36-26-000001/events', opened))

  const question = { kind: 'revision-change', plan: 'ex36-final', from: 7, to: 8, testedFrom: '2026-01-05T00:00:00Z' }
  created(await author.post('/v1/studies', { study: 'ST-1', question }))
  while ((await studyPage(service.database)) === 'more');
  const { digest } = (await author.get('/v1/studies/ST-1')).body
  const conclusion = { digest, conclusion: 'nobody is affected', meaning: 'assessed' }
  expected(await approver.sign('/v1/studies/ST-1/assessment', conclusion), 200)
  created(await author.post('/v1/studies', { study: 'ST-2', question }))
  expected(await author.post('/v1/studies/ST-2/cancellation'), 200)

  const editions = '/v1/rule-tables/extractor-strength/editions'
  created(await author.post(editions, { content: extractorStrength({ edition: 19 }), changeReason: 'gone through' }))
  created(await author.post(`${editions}/19/impact`))

  await checkStation()
  const { administrator } = service
  const lost = { reason: 'telephone lost' }
  expected(await administrator.post(`/v1/persons/${author.person}/one-time-code/voiding`, lost), 200)
  const key = created(await administrator.post('/v1/keys', { kind: 'person', person: keyer.person })).body
  expected(await administrator.post(`/v1/keys/${key.key}/revocation`, lost), 200)
})
afterAll(() => line.service.close())

/** Sent back, signed for a day to come, taken back in time; a block lifted; and each kind of instant that comes. */
async function changeOnADate(): Promise<void> {
  const { author, approver, service } = line
  const reason = { reason: 'another is wanted' }
  const later = iso(line.now() + 3_600_000)
  const write = async (path: string, content: Record<string, unknown>, number: number) => {
    const { digest } = created(await author.post(path, { content, changeReason: 'wanted' })).body
    expected(await author.post(`${path}/${number}/submission`, { digest }), 200)
    return digest as string
  }
  const tables = '/v1/rule-tables/extractor-strength/editions'
  const versions = '/v1/products/EX36/versions'
  const plans = '/v1/plans/ex36-final/revisions'
  await write(tables, extractorStrength({ edition: 11 }), 11)
  expected(await approver.post(`${tables}/11/rejection`, reason), 200)
  await write(versions, ex36({ version: 11 }), 11)
  expected(await approver.post(`${versions}/11/rejection`, reason), 200)
  await write(plans, { ...planWire, revision: 11 }, 11)
  expected(await approver.post(`${plans}/11/rejection`, reason), 200)

  const meaning = 'agreed'
  let digest = await write(versions, ex36({ version: 12 }), 12)
  expected(await approver.sign(`${versions}/12/confirmation`, { digest, meaning, effectiveFrom: later }), 200)
  expected(await author.post(`${versions}/12/cancellation`, reason), 200)
  digest = await write(plans, { ...planWire, revision: 12 }, 12)
  expected(await approver.sign(`${plans}/12/approval`, { digest, meaning, inForceFrom: later }), 200)
  expected(await author.post(`${plans}/12/cancellation`, reason), 200)
  await line.publish(extractorStrength({ edition: 12 }), later)
  expected(await author.post(`${tables}/12/cancellation`, reason), 200)

  digest = (await line.approve(13)).body.digest
  const strict = extractorStrength({ edition: 13 })
  const rows = strict.rows.map((row) => ({ ...row, then: ['4000', ...row.then.slice(1)] }))
  await line.publish({ ...strict, rows })
  while ((await checkPageBehind(service.database)) === 'more');
  await line.publish(extractorStrength({ edition: 14 }))
  const revisions = [{ plan: 'ex36-final', revision: 13, digest }]
  const lifted = expected(await approver.sign('/v1/blocks/lifting', { ...reason, meaning, revisions }), 200).body
  if (!lifted.revisions[0].lifted) throw new Error(JSON.stringify(lifted))
  line.setClock(line.now() + 1_000)
  while ((await tickPage(service.database)) === 'more');
}

/** A permit asked for, given and ended; and a concession for a run that failed. */
async function giveLeave(passed: string): Promise<void> {
  const { author, approver, revisionDigest } = line
  expected(
    await author.post('/v1/concessions', { concession: 'CN-1', runId: passed, reference: 'r', reason: 'r' }),
    409,
  )
  line.setClock(line.now() + 60_000)
  const failing = line.upload((wire) => {
    delete wire.stationVerdict
    delete wire.steps[1].stationVerdict
    wire.steps[1].measurements[0].reading.value = '3.2'
  })
  const { runId, verdict, outcome } = (await line.send(failing)).body
  if (verdict !== 'fail' || outcome !== 'accepted') throw new Error(`it is ${outcome}, ${verdict}`)
  const asked = { concession: 'CN-1', runId, reference: 'of the customer', reason: 'agreed' }
  const { digest } = created(await author.post('/v1/concessions', asked)).body
  expected(await approver.sign('/v1/concessions/leeds/CN-1/approval', { digest, meaning: 'agreed' }), 200)

  const content = {
    permit: 'DP-1',
    plan: 'ex36-final',
    revision: 7,
    revisionDigest,
    step: 'strength',
    limitUpper: { value: '3.2', unit: 'mA' },
    quantity: 1,
    validUntil: iso(line.now() + 86_400_000),
    reason: 'a lot at the end of its tolerance',
  }
  const permit = created(await author.post('/v1/permits', { content })).body
  const leave = { digest: permit.digest, validFrom: 'at-once', meaning: 'agreed' }
  expected(await approver.sign('/v1/permits/DP-1/approval', leave), 200)
  expected(await author.post('/v1/permits/DP-1/withdrawal', { reason: 'used up' }), 200)
}

async function checkStation(): Promise<void> {
  const { author, approver, operator } = line
  const unit = { referenceUnit: 'REF-1', name: 'Dummy', shows: [{ kind: 'touch-current', expected: 'fail' }] }
  const { digest } = created(await author.post('/v1/reference-units', unit)).body
  expected(await approver.sign('/v1/reference-units/REF-1/confirmation', { digest, meaning: 'measured' }), 200)
  const plans = '/v1/stations/LDS-F2/check-plans'
  const plan = { checkPlan: 1, kinds: ['touch-current'], validFor: { value: '12', unit: 'h' } }
  const asked = created(await author.post(plans, plan)).body
  expected(await approver.sign(`${plans}/1/confirmation`, { digest: asked.digest, meaning: 'as asked' }), 200)
  line.setClock(line.now() + 1_000)
  const results = [{ referenceUnit: 'REF-1', kind: 'touch-current', found: 'fail' }]
  const check = { stationCheck: 'SC-1', station: 'LDS-F2', instrument: 'INS-0031', at: iso(line.now()), results }
  created(await operator.post('/v1/station-checks', check))
  expected(await author.post('/v1/reference-units/REF-1/withdrawal', { reason: 'broken' }), 200)
}

interface AccessKey {
  readonly key: string
  readonly person: string | null
}

interface Entry {
  readonly content: string
  readonly by: string
  readonly action: string
}

async function entries(): Promise<Entry[]> {
  return line.service.database.sql.query<Entry>(
    `SELECT content, content::jsonb ->> 'by' AS by, content::jsonb ->> 'action' AS action FROM intake.ledger_entries`,
  )
}

test('every act of the interface has left an entry under its own name', async () => {
  const { paths } = (await line.service.administrator.get('/openapi/v1.json')).body
  const acts = Object.entries<Record<string, { operationId: string }>>(paths)
    // Uploads stand in one entry for each commit; what only answers changes nothing.
    .filter(([path]) => !['/v1/runs', '/v1/runs/batch', '/v1/runs/check'].includes(path))
    .filter(([path]) => !path.endsWith('/proposal') && path !== '/v1/release-checks')
    .flatMap(([, methods]) => Object.entries(methods))
    .flatMap(([method, { operationId }]) => (method === 'get' ? [] : [operationId]))
    // An edition that comes in as a file is written by the same act.
    .filter((operationId) => !/From(Csv|Dmn)$/.test(operationId))
  expect(acts).toContain('createPerson')
  const recorded = new Set((await entries()).map(({ action }) => action))
  // What opens presence for a signature is recorded as well, by the guard; and what comes without anybody acting.
  expect([...recorded].sort()).toEqual([...acts, ...arrivalKinds, 'openPresence', 'uploadRuns'].sort())
  expect([...eventKinds].sort()).toEqual([...recorded].sort())
})

test('no entry holds the name of a person, though it says who it was', async () => {
  const { items } = (await line.analyst.get('/v1/persons')).body as { items: { person: string; name: string }[] }
  const names = items.map(({ name }) => name)
  expect(names).toEqual(expect.arrayContaining(['First administrator', `Test ${line.author.person}`]))
  const all = await entries()
  for (const { content } of all) expect(names.filter((name) => content.includes(name))).toEqual([])
  const persons = new Set(all.map(({ by }) => by))
  for (const { person } of [line.author, line.approver, line.operator]) expect(persons).toContain(person)
})

test('every entry names the access key that it was done with, but for what the service did itself', async () => {
  const { items } = expected(await line.service.administrator.get('/v1/keys?limit=500'), 200).body
  const holders = new Map<string, string | null>(items.map((one: AccessKey) => [one.key, one.person]))
  const all = (await entries()).map(({ content }) => JSON.parse(content))
  for (const { action, by, key } of all) {
    if (by === 'service') expect([action, key]).toEqual([action, undefined])
    // The key of the very person who is said to have done it; a machine goes by its key.
    else expect([action, holders.get(key) ?? key]).toEqual([action, by])
  }
  expect(all.filter(({ by }) => by === 'service').map(({ action }) => action)).toEqual(
    expect.arrayContaining(['createPerson', 'issueKey', 'uploadRuns']),
  )
})

test('a commit of uploads names the key that sent each', async () => {
  const { items } = expected(await line.analyst.get('/v1/runs'), 200).body
  const [stationKey] = await line.service.database.sql.query<{ key: string }>(
    "SELECT key FROM governance.key_station WHERE station = 'LDS-F2'",
  )
  const commits = (await entries()).filter(({ action }) => action === 'uploadRuns')
  const uploads = commits.flatMap(({ content }) => JSON.parse(content).facts.uploads)
  expect(uploads).toHaveLength(items.length)
  for (const { sender } of uploads) expect(sender).toBe(stationKey?.key)
})
