import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { type Line, openLine, type Wire } from '../support/line.ts'
import { type Answer, expected } from '../support/service.ts'
import { placesOf } from './example.ts'

/** Bad input: a problem that names the field, never a 500, never a hang, and nothing stored but the reject log. */
let line: Line

beforeAll(async () => {
  line = await openLine({ still: true })
  line.setClock(line.now() + 60_000)
})
afterAll(() => line.service.close())

const TABLES = [
  'upload_keys',
  'uploads',
  'runs',
  'readings',
  'units',
  'attempts',
  'ledger_entries',
  'ledger_pending',
] as const

async function counts(): Promise<Record<string, number>> {
  const [row] = await line.service.database.sql.query<Record<string, number>>(
    `SELECT ${TABLES.map((table) => `(SELECT count(*) FROM intake.${table})::int AS ${table}`).join(', ')}`,
  )
  if (row === undefined) throw new Error('counts are one row')
  return row
}

/** What the work added to each table; tables with nothing new are left out. */
async function added(work: () => Promise<unknown>): Promise<Record<string, number>> {
  const before = await counts()
  await work()
  const after = await counts()
  return Object.fromEntries(
    TABLES.map((table) => [table, (after[table] ?? 0) - (before[table] ?? 0)] as const).filter(
      ([, more]) => more !== 0,
    ),
  )
}

/** The reject log of an upload with a key of its own: its bytes, its key, and the commit in the ledger. */
const REJECT_LOG = { upload_keys: 1, uploads: 1, ledger_entries: 1, ledger_pending: 1 }

describe('an object with wrong fields is 422, names them, and is kept', () => {
  const escaped = (change: (wire: Wire) => void, from: string, to: string) => () =>
    JSON.stringify(line.upload(change)).replace(from, to)
  const wrong = (change: (wire: Wire) => void) => () => line.upload(change)
  const cases: [string, () => unknown, string][] = [
    ['a wrong type', wrong((wire) => (wire.steps = 'none')), 'field-invalid #/steps'],
    ['a missing field', wrong((wire) => delete wire.revision), 'field-invalid #/revision'],
    ['an unknown field', wrong((wire) => (wire.steps[0].colour = 'red')), 'field-invalid #/steps/0/colour'],
    ['a serial that is a number', wrong((wire) => (wire.serial = 7)), 'serial-not-text #/serial'],
    ['SQL for a key', wrong((wire) => (wire.plan = "'; DROP TABLE x; --")), 'field-invalid #/plan'],
    ['SQL for a serial', wrong((wire) => (wire.serial = "' OR 1=1; --")), 'serial-not-allowed #/serial'],
    [
      'control characters in a serial',
      wrong((wire) => (wire.serial = 'EX36-26-\u001b000001')),
      'serial-not-allowed #/serial',
    ],
    [
      'control characters in an extra',
      wrong((wire) => (wire.extra = { note: 'a\u0007b' })),
      'field-invalid #/extra/note',
    ],
    [
      'an instant without offset',
      wrong((wire) => (wire.startedAt = '2026-03-16T05:00:00')),
      'offset-missing #/startedAt',
    ],
    [
      'NUL in a serial',
      escaped((wire) => (wire.serial = 'NULHERE'), 'NULHERE', 'EX36\\u0000'),
      'field-invalid #/serial',
    ],
    [
      'half a surrogate pair',
      escaped((wire) => (wire.serial = 'HALF'), 'HALF', 'EX36\\ud800'),
      'field-invalid #/serial',
    ],
    [
      'NUL in the name of a member',
      escaped((wire) => (wire.NAME = 1), 'NAME', 'n\\u0000n'),
      'field-invalid #/n%EF%BF%BDn',
    ],
    [
      'NUL in a number',
      escaped((wire) => (wire.steps[0].measurements[0].reading.value = 'NUL'), 'NUL', '1\\u00002'),
      'not-a-number #/steps/0/measurements/0/reading/value',
    ],
    [
      'half a pair in a unit',
      escaped((wire) => (wire.steps[0].measurements[0].reading.unit = 'HALF'), 'HALF', '\\udfff'),
      'unit-unknown #/steps/0/measurements/0/reading/unit',
    ],
    [
      'a member that is there twice',
      escaped((wire) => (wire.jobOrder = 'JO-1'), '"jobOrder":"JO-1"', '"jobOrder":"JO-1","jobOrder":"JO-2"'),
      'duplicate-member #/jobOrder',
    ],
    ['__proto__', escaped((wire) => (wire.X = {}), '"X"', '"__proto__"'), 'field-invalid #/__proto__'],
  ]
  test.each(cases)('%s', async (_, body, expectedCode) => {
    let answer: Answer | undefined
    const rows = await added(async () => {
      answer = await line.send(body())
    })
    expect(answer?.status).toBe(422)
    expect(answer?.body.codes.map(({ code, pointer }: Wire) => `${code} ${pointer}`)).toContain(expectedCode)
    expect(rows).toEqual(REJECT_LOG)
    const kept = expected(await line.analyst.get(`/v1/runs/${answer?.body.runId}`), 200).body
    expect(kept.codes).toEqual(answer?.body.codes)
  })

  test('and is found again by its codes, whatever the sender wrote into them', async () => {
    for (const code of ['not-a-number', 'unit-unknown', 'field-invalid', 'serial-not-allowed', 'duplicate-member']) {
      const { items } = expected(await line.analyst.get(`/v1/runs?code=${code}&outcome=rejected`), 200).body
      expect(items.length).toBeGreaterThan(0)
    }
  })

  test('without an upload key, or with one of the wrong form, it is kept without', async () => {
    for (const uploadKey of [undefined, null, '', 'a b', 7]) {
      const rows = await added(async () => {
        const answer = expected(await line.send(line.upload((wire) => (wire.uploadKey = uploadKey))), 422)
        expect(answer.body.uploadKey).toBeNull()
      })
      expect(rows).toEqual({ uploads: 1, ledger_entries: 1, ledger_pending: 1 })
    }
  })

  test('an empty object names every missing field', async () => {
    const answer = expected(await line.send('{}'), 422)
    const pointers = answer.body.codes.map(({ pointer }: { pointer: string }) => pointer)
    for (const member of ['uploadKey', 'station', 'serial', 'steps']) expect(pointers).toContain(`#/${member}`)
    expect(answer.body).toMatchObject({ uploadKey: null, startedAt: null, skewMs: null, outcome: 'rejected' })
  })
})

describe('what is no JSON object is 400, kept without a key', () => {
  test.each([
    ['nothing at all', '', 'json-syntax'],
    ['broken JSON', '{"format": "run/1",', 'json-syntax'],
    ['an array', '[]', 'not-an-object'],
    ['a number', '17', 'not-an-object'],
    ['null', 'null', 'not-an-object'],
    ['NaN', '{"revision": NaN}', 'json-syntax'],
    ['10,000 objects inside each other', `${'{"a":'.repeat(10_000)}1${'}'.repeat(10_000)}`, 'too-deep'],
    ['10,000 arrays inside each other', '['.repeat(10_000), 'too-deep'],
    ['bytes that are no UTF-8', Buffer.from([0x7b, 0x22, 0xff, 0xfe, 0x22, 0x3a, 0x31, 0x7d]), 'not-utf8'],
  ])('%s', async (_, body, code) => {
    let answer: Answer | undefined
    const rows = await added(async () => {
      answer = await line.send(body)
    })
    expect(answer?.status).toBe(400)
    expect(answer?.body).toMatchObject({
      type: 'urn:limitkeep:problem:body-not-json',
      code,
      offset: expect.any(Number),
    })
    expect(rows).toEqual({ uploads: 1 })
    const reply = await line.service.app.server.inject({
      url: `/v1/runs/${answer?.body.runId}/raw`,
      headers: { authorization: `Bearer ${line.analyst.token}` },
    })
    expect(reply.rawPayload.equals(Buffer.from(body as string))).toBe(true)
    const { items } = expected(await line.analyst.get('/v1/runs?outcome=unreadable&limit=1'), 200).body
    expect(items).toMatchObject([{ runId: answer?.body.runId, status: 400, uploadKey: null, station: 'LDS-F2' }])
  })
})

describe('what is not taken leaves no trace', () => {
  const none = async (work: () => Promise<Answer>, status: number) => {
    expect(await added(async () => expected(await work(), status))).toEqual({})
  }

  test('401 and 403: nobody we know, or not one who uploads', async () => {
    await none(() => line.send(line.upload(), line.service.client(undefined)), 401)
    await none(() => line.send('{', line.service.client('lk_x')), 401)
    await none(() => line.send(line.upload(), line.analyst), 403)
  })

  test('413: a body above a mebibyte', async () => {
    await none(() => line.send(JSON.stringify({ extra: { note: 'x'.repeat(1_048_576) } })), 413)
  })

  test('415: another content type, or a coding', async () => {
    const send = (headers: Record<string, string>) =>
      line.station.send({ method: 'POST', url: '/v1/runs', headers, payload: JSON.stringify(line.upload()) })
    await none(() => send({ 'content-type': 'text/plain' }), 415)
    await none(() => send({ 'content-type': 'application/xml' }), 415)
    await none(() => send({ 'content-type': 'application/json', 'content-encoding': 'gzip' }), 415)
  })
})

describe('questions', () => {
  test.each([
    ['/v1/runs/nonsense', 404],
    ['/v1/runs/ffffffff-ffff-7fff-bfff-ffffffffffff', 404],
    ['/v1/runs/ffffffff-ffff-7fff-bfff-ffffffffffff/raw', 404],
    ['/v1/runs/00000000-0000-7000-8000-000000000000', 404],
    ['/v1/runs/%00', 404],
    ['/v1/runs?serial=%00', 400],
    ['/v1/runs?serial=a%0Ab', 200],
    ['/v1/runs?from=0001-01-01T00:00:00Z', 200],
    ['/v1/runs?from=0000-01-01T00:00:00Z', 200],
    ['/v1/runs?to=0000-01-01T00:00:00Z', 200],
    ['/v1/runs?to=9999-12-31T23:59:59.999Z', 200],
    ['/v1/units/EX36/%00', 400],
    ['/v1/units/EX36/%00/release', 400],
    ['/v1/units/EX36/a%07b/release', 200],
    ['/v1/units/EX36/%ED%A0%80', 400],
    ["/v1/units/EX36/'%3B%20DROP%20TABLE%20x/release", 200],
    [`/v1/units/EX36/${'x'.repeat(257)}/release`, 400],
  ])('%s is answered %i', async (path, status) => {
    expect((await line.analyst.get(path)).status).toBe(status)
  })
})

describe('an upload with other values in one or two places', () => {
  const odd = fc.constantFrom<unknown>(
    null,
    '',
    ' ',
    0,
    -1,
    1.5,
    2 ** 53,
    1e300,
    true,
    [],
    {},
    [null],
    'x'.repeat(300),
    '\u0000',
    '\ud800',
    '\u202e',
    "';--",
    '0000-01-01T00:00:00Z',
    '0001-01-01T00:00:00Z',
    '9999-12-31T23:59:59.999999999Z',
    '2026-03-16T05:00:60Z',
    '-0',
    '1e-30',
    '9'.repeat(30),
    `0.${'0'.repeat(29)}1`,
    '-12.5',
    'arc',
    'breakdown',
    'fail',
    'LDS-F3',
    'kV',
    'GOhm',
    '<',
  )
  const change = fc.tuple(
    fc.nat(),
    fc.oneof({ weight: 3, arbitrary: odd }, { weight: 1, arbitrary: fc.jsonValue({ maxDepth: 1 }) }),
  )

  test('is accepted, held or refused, and never an error of ours', async () => {
    const changes = fc.sample(fc.array(change, { minLength: 1, maxLength: 2 }), { numRuns: 300, seed: 20260316 })
    const answers: Answer[] = []
    const sendChanged = (changed: (typeof changes)[number]) => {
      const wire = line.upload()
      for (const [at, value] of changed) {
        const places = placesOf(wire)
        const place = places[at % places.length]
        if (place !== undefined) place.parent[place.member] = value
      }
      return line.send(wire)
    }
    // Few enough at a time that none waits too long for its turn.
    for (let from = 0; from < changes.length; from += 50) {
      answers.push(...(await Promise.all(changes.slice(from, from + 50).map(sendChanged))))
    }
    for (const [index, { status, body }] of answers.entries()) {
      expect([201, 202, 409, 422], JSON.stringify([changes[index], body])).toContain(status)
    }
    expect(new Set(answers.map(({ status }) => status)).size).toBeGreaterThan(2)
    for (const { body } of answers.slice(0, 100)) {
      if (body.runId !== undefined) expected(await line.analyst.get(`/v1/runs/${body.runId}`), 200)
    }
    for (const code of ['field-invalid', 'not-a-number', 'unit-unknown', 'person-unknown', 'clock-implausible']) {
      expected(await line.analyst.get(`/v1/runs?code=${code}&limit=500`), 200)
    }
  })
})

test('after all this a good upload is taken as ever', async () => {
  expect((await line.send(line.upload())).status).toBe(201)
})
