import { describe, expect, test } from 'vitest'
import { formatDecimal } from '../../src/exact/decimal.ts'
import { readUpload, type UploadRead } from '../../src/intake/read-upload.ts'
import { sentenceOf } from '../../src/judging/sentences.ts'
import { contractUpload, type Wire } from '../support/aldermoor.ts'
import { bytesOf, example, replaced } from './example.ts'

type Read = Extract<UploadRead, { kind: 'read' }>
type Refused = Extract<UploadRead, { kind: 'refused' }>

function read(body: unknown): Read {
  const result = readUpload(bytesOf(body))
  if (result.kind !== 'read') throw new Error(JSON.stringify(result))
  return result
}

function refused(body: unknown): Refused {
  const result = readUpload(bytesOf(body))
  if (result.kind !== 'refused') throw new Error(`expected a refusal, got ${result.kind}`)
  return result
}

/** Every code with its pointer, `code /pointer`. */
function codes(body: unknown): string[] {
  return refused(body).codes.map(({ code, pointer }) => `${code} ${pointer}`)
}

/** The codes of the example after a change. */
function codesOf(change: (wire: Wire) => void): string[] {
  return codes(example(change))
}

function digest(body: unknown): string {
  const result = readUpload(bytesOf(body))
  if (result.kind === 'unreadable') throw new Error(result.message)
  return result.digest
}

describe('the worked example', () => {
  // The digest stands in the answer of the wire contract (payloads, section 5).
  test('is read whole, with the published digest', () => {
    const { upload, wire, digest: found, claim } = read(contractUpload)
    expect(found).toBe('sha256:8546a54ba0213a107c1e0421ab1ca02272ef7e25ff05eaad4ef08ca39028c01c')
    expect(upload).toMatchObject({
      uploadKey: 'LDS-F2:0007315',
      revision: 7,
      variant: 'EX36-3M',
      serial: 'EX36-26-004417',
    })
    expect(upload.startedAt).toBe(Date.parse('2026-03-16T09:14:05.120Z'))
    expect(upload.steps.map(({ step }) => step)).toEqual(['bond', 'strength', 'insulation', 'touch'])
    const reading = upload.steps[0]?.measurements[0]?.reading?.value
    if (reading === undefined || reading === 'no-reading') throw new Error('the bond has a reading')
    expect(formatDecimal(reading.value)).toBe('0.1184')
    expect(reading).toMatchObject({ unit: 'mOhm', relation: '=', text: '118.4' })
    expect(upload.steps[0]?.leadOffset).toMatchObject({ subtractedBy: 'server', person: 'P-0398' })
    expect(upload.steps[2]?.measurements[0]?.reading).toMatchObject({ text: '>9.99 GΩ', value: { relation: '>' } })
    expect(wire.componentLots).toEqual({ 'mains-filter': 'F-0932' })
    expect(claim).toMatchObject({ station: 'LDS-F2', serial: 'EX36-26-004417', reportedFailure: false })
  })
})

describe('the digest', () => {
  const base = digest(contractUpload)

  test('leaves out sentAt and startedAgoMs, which are stamped anew at each sending', () => {
    expect(digest(example((wire) => (wire.sentAt = '2026-03-16T11:00:00Z')))).toBe(base)
    expect(digest(example((wire) => (wire.startedAgoMs = 34_680)))).toBe(base)
  })

  test('holds everything else', () => {
    expect(digest(example((wire) => (wire.sequenceNumber = 7316)))).not.toBe(base)
    expect(digest(example((wire) => (wire.steps[0].measurements[0].reading.value = '118.5')))).not.toBe(base)
    expect(digest(example((wire) => (wire.extra = { shift: 'A' })))).not.toBe(base)
    // The members are left out at the top alone.
    expect(digest(example((wire) => (wire.steps[0].sentAt = 'x')))).not.toBe(base)
  })

  test('does not hang on order, blanks, nulls, or on a value being a JSON number', () => {
    expect(digest(JSON.stringify(example(), null, 2))).toBe(base)
    const turned = Object.fromEntries(Object.entries(example()).reverse())
    expect(digest(turned)).toBe(base)
    const nulls = example((wire) => {
      wire.extra = null
      wire.startedAgoMs = null
      wire.steps[0].network = null
      wire.steps[1].measurements[0].reading.relation = null
    })
    expect(digest(nulls)).toBe(base)
    expect(read(nulls).upload).toEqual(read(contractUpload).upload)
    const number = replaced('"value": "118.4"', '"value": 118.4')
    expect(digest(number)).toBe(base)
    expect(read(number).upload).toEqual(read(contractUpload).upload)
  })

  test('keeps the digits of a number as written: 118.40 is other text than 118.4', () => {
    const longer = replaced('"value": "118.4"', '"value": 118.40')
    expect(digest(longer)).not.toBe(base)
    expect(digest(longer)).toBe(digest(example((wire) => (wire.steps[0].measurements[0].reading.value = '118.40'))))
  })

  test('is there for refused uploads too', () => {
    const { digest: found, claim } = refused(example((wire) => (wire.steps[0].surplus = 1)))
    expect(found).toMatch(/^sha256:[0-9a-f]{64}$/)
    expect(claim.uploadKey).toBe('LDS-F2:0007315')
  })
})

describe('no reading', () => {
  test.each([
    ['null', null],
    ['empty', ''],
    ['absent', undefined],
  ])('a value that is %s is none, and never zero', (_, value) => {
    const { upload } = read(
      example((wire) => {
        wire.steps[0].measurements[0].reading.value = value
        wire.steps[0].measurements[0].dwell.value = value
        wire.steps[0].measurements[1].reading.unit = undefined
        wire.steps[0].measurements[1].reading.value = value
      }),
    )
    const [first, second] = upload.steps[0]?.measurements ?? []
    expect(first?.reading?.value).toBe('no-reading')
    expect(first?.stress.dwell).toBe('no-reading')
    expect(second?.reading?.value).toBe('no-reading')
  })
})

describe('what is no JSON object', () => {
  test.each([
    ['nothing', '', 'json-syntax'],
    ['a broken object', '{"format": "run/1", ', 'json-syntax'],
    ['two objects', '{}{}', 'json-syntax'],
    ['a trailing comma', '{"a": 1,}', 'json-syntax'],
    ['NaN', '{"value": NaN}', 'json-syntax'],
    ['Infinity', '{"value": -Infinity}', 'json-syntax'],
    ['a byte order mark', '\ufeff{}', 'json-syntax'],
    ['an array', `[${contractUpload}]`, 'not-an-object'],
    ['a text', '"run/1"', 'not-an-object'],
    ['a number', '1.5', 'not-an-object'],
    ['null', 'null', 'not-an-object'],
    ['10,000 arrays inside each other', `{"extra": ${'['.repeat(10_000)}${']'.repeat(10_000)}}`, 'too-deep'],
    ['10,000 objects inside each other', `${'{"a":'.repeat(10_000)}1${'}'.repeat(10_000)}`, 'too-deep'],
  ])('%s is unreadable', (_, body, code) => {
    expect(readUpload(bytesOf(body))).toMatchObject({ kind: 'unreadable', code, message: expect.any(String) })
  })

  test('bytes that are no UTF-8 are unreadable, with their place', () => {
    const bytes = Buffer.concat([Buffer.from('{"serial": "'), Buffer.from([0xc3, 0x28]), Buffer.from('"}')])
    expect(readUpload(bytes)).toMatchObject({ kind: 'unreadable', code: 'not-utf8', offset: 12 })
  })
})

describe('what is wrong with a field is named by code and pointer', () => {
  const changes: [string, (wire: Wire) => void, string[]][] = [
    ['a missing member', (wire) => delete wire.serial, ['field-invalid /serial']],
    ['null where a member is needed', (wire) => (wire.station = null), ['field-invalid /station']],
    ['an unknown member', (wire) => (wire.colour = 'red'), ['field-invalid /colour']],
    [
      'an unknown member inside',
      (wire) => (wire.steps[1].measurements[0].volts = 1),
      ['field-invalid /steps/1/measurements/0/volts'],
    ],
    ['a member with a slash and a tilde in its name', (wire) => (wire['a/b~c'] = 1), ['field-invalid /a~1b~0c']],
    ['another format', (wire) => (wire.format = 'run/2'), ['field-invalid /format']],
    ['a serial that is a number', (wire) => (wire.serial = 451872), ['serial-not-text /serial']],
    ['a serial that is a list', (wire) => (wire.serial = ['A']), ['serial-not-text /serial']],
    ['an empty serial', (wire) => (wire.serial = ''), ['field-invalid /serial']],
    ['a long serial', (wire) => (wire.serial = 'E'.repeat(257)), ['field-invalid /serial']],
    ['a key with a blank', (wire) => (wire.uploadKey = 'LDS F2'), ['field-invalid /uploadKey']],
    ['a key that looks like SQL', (wire) => (wire.plan = "ex36'; DROP TABLE runs; --"), ['field-invalid /plan']],
    ['a revision that is text', (wire) => (wire.revision = '7'), ['field-invalid /revision']],
    ['a revision beyond the range', (wire) => (wire.revision = 2 ** 31), ['field-invalid /revision']],
    ['a sequence number below zero', (wire) => (wire.sequenceNumber = -1), ['field-invalid /sequenceNumber']],
    ['another word for a purpose', (wire) => (wire.purpose = 'Production'), ['field-invalid /purpose']],
    [
      'another word for an end',
      (wire) => (wire.steps[0].measurements[0].termination = 'done'),
      ['field-invalid /steps/0/measurements/0/termination'],
    ],
    [
      'an instant without offset',
      (wire) => (wire.startedAt = '2026-03-16T09:14:05.120'),
      ['offset-missing /startedAt'],
    ],
    [
      'an instant without offset in a step',
      (wire) => (wire.steps[2].endedAt = '2026-03-16T09:14:24'),
      ['offset-missing /steps/2/endedAt'],
    ],
    [
      'an offset taken without one',
      (wire) => (wire.steps[0].leadOffset.takenAt = '2026-03-16T06:02:00'),
      ['offset-missing /steps/0/leadOffset/takenAt'],
    ],
    ['a day that is none', (wire) => (wire.endedAt = '2026-02-30T09:14:05Z'), ['field-invalid /endedAt']],
    ['an instant that is a number', (wire) => (wire.sentAt = 1773652479800), ['field-invalid /sentAt']],
    [
      'a unit in other case',
      (wire) => (wire.steps[0].measurements[0].reading.unit = 'MOHM'),
      ['unit-ambiguous /steps/0/measurements/0/reading/unit'],
    ],
    [
      'a unit nobody knows',
      (wire) => (wire.steps[1].measurements[0].testVoltage.unit = 'volts'),
      ['unit-unknown /steps/1/measurements/0/testVoltage/unit'],
    ],
    [
      'a number without a unit',
      (wire) => delete wire.steps[3].supplyVoltage.unit,
      ['unit-missing /steps/3/supplyVoltage/unit'],
    ],
    [
      'a number without a unit in a lead offset',
      (wire) => (wire.steps[0].leadOffset.unit = null),
      ['unit-missing /steps/0/leadOffset/unit'],
    ],
    [
      'a comma in a number',
      (wire) => (wire.steps[0].measurements[0].reading.value = '118,4'),
      ['not-a-number /steps/0/measurements/0/reading/value'],
    ],
    [
      'NaN as text',
      (wire) => (wire.steps[0].measurements[1].dwell.value = 'NaN'),
      ['not-a-number /steps/0/measurements/1/dwell/value'],
    ],
    [
      'Infinity as text',
      (wire) => (wire.steps[0].measurements[1].dwell.value = 'Infinity'),
      ['not-a-number /steps/0/measurements/1/dwell/value'],
    ],
    [
      'a hexadecimal number',
      (wire) => (wire.ambient.temperature.value = '0x15'),
      ['not-a-number /ambient/temperature/value'],
    ],
    [
      'a temperature in volts',
      (wire) => (wire.ambient.temperature.unit = 'V'),
      ['field-invalid /ambient/temperature/unit'],
    ],
    [
      'a quantity that is a bare number',
      (wire) => (wire.steps[1].measurements[0].dwell = 1),
      ['field-invalid /steps/1/measurements/0/dwell'],
    ],
    [
      'another relation',
      (wire) => (wire.steps[2].measurements[0].reading.relation = '>='),
      ['field-invalid /steps/2/measurements/0/reading/relation'],
    ],
    ['steps that are an object', (wire) => (wire.steps = {}), ['field-invalid /steps']],
    [
      'a step without measurements',
      (wire) => (wire.steps[0].measurements = []),
      ['field-invalid /steps/0/measurements'],
    ],
    ['a hundred and one steps', (wire) => (wire.steps = Array(101).fill(wire.steps[0])), ['field-invalid /steps']],
    ['an extra that is no text', (wire) => (wire.extra = { shift: 3 }), ['field-invalid /extra/shift']],
    [
      'a digest in upper case',
      (wire) => (wire.revisionDigest = wire.revisionDigest.toUpperCase()),
      ['field-invalid /revisionDigest'],
    ],
  ]
  test.each(changes)('%s', (_, change, expected) => {
    expect(codesOf(change)).toEqual(expected)
  })

  test('all of them at once, in the order of reading', () => {
    expect(
      codesOf((wire) => {
        wire.startedAt = '2026-03-16T09:14:05'
        wire.steps[0].measurements[0].reading.unit = 'KV'
        wire.steps[1].measurements[0].reading.value = 'abc'
      }),
    ).toEqual([
      'offset-missing /startedAt',
      'unit-ambiguous /steps/0/measurements/0/reading/unit',
      'not-a-number /steps/1/measurements/0/reading/value',
    ])
  })

  test('with a sentence that repeats what was sent', () => {
    const sentences = refused(
      example((wire) => {
        wire.steps[0].measurements[0].reading.unit = 'KV'
        wire.steps[1].measurements[0].reading.value = 'abc'
      }),
    ).codes.map(({ code, facts }) => sentenceOf(code, facts))
    expect(sentences[0]).toContain('KV')
    expect(sentences[1]).toContain('abc')
    const [missing] = refused(example((wire) => delete wire.person)).codes
    expect(missing && sentenceOf(missing.code, missing.facts)).toContain('missing')
  })

  test('a member that is there twice, wherever', () => {
    expect(
      codes(replaced('"serial": "EX36-26-004417"', '"serial": "EX36-26-004417", "serial": "EX36-26-004417"')),
    ).toEqual(['duplicate-member /serial'])
    expect(codes(replaced('"value": "118.4"', '"value": "118.4", "value": "18.4"'))).toEqual([
      'duplicate-member /steps/0/measurements/0/reading/value',
    ])
    // The same name, written with an escape.
    expect(codes(replaced('"person": "P-0417"', '"person": "P-0417", "p\\u0065rson": "P-0418"'))).toEqual([
      'duplicate-member /person',
    ])
  })

  test('a number where it would lose its digits', () => {
    expect(codes(replaced('"sequenceNumber": 7315', '"sequenceNumber": 7315.0'))).toEqual([
      'field-invalid /sequenceNumber',
    ])
    expect(codes(replaced('"sequenceNumber": 7315', '"sequenceNumber": 12345678901234567890'))).toEqual([
      'field-invalid /sequenceNumber',
    ])
    expect(codes(replaced('"revision": 7,', '"revision": 7e0,'))).toEqual(['field-invalid /revision'])
    expect(codes(replaced('"serial": "EX36-26-004417"', '"serial": 0.5'))).toEqual(['serial-not-text /serial'])
    const long = '1'.repeat(31)
    expect(codes(replaced('"value": "118.4"', `"value": ${long}`))).toContain(
      'field-invalid /steps/0/measurements/0/reading/value',
    )
    expect(codes(replaced('"value": "118.4"', `"value": "${long}"`))).toEqual([
      'not-a-number /steps/0/measurements/0/reading/value',
    ])
    expect(codes(replaced('"value": "118.4"', '"value": "1e31"'))).toEqual([
      'not-a-number /steps/0/measurements/0/reading/value',
    ])
  })

  test('text that the database could not hold, and no such text in what is kept about it', () => {
    expect(codes(replaced('EX36-26-004417', 'EX36\\u0000'))).toEqual(['field-invalid /serial'])
    expect(codes(replaced('EX36-26-004417', 'EX36\\ud800'))).toEqual(['field-invalid /serial'])
    expect(codes(replaced('"format": "run/1"', '"a\\u0000b": 1'))).toContain('field-invalid /a\ufffdb')
    for (const bad of ['\\u0000', '\\udc00']) {
      for (const body of [
        replaced('"118.4"', `"118${bad}"`),
        replaced('"unit": "mOhm", "takenAt"', `"unit": "mO${bad}", "takenAt"`),
        replaced('"sentAt": "2026', `"sentAt": "${bad}2026`),
        replaced('"format": "run/1"', `"f${bad}": "run/1"`),
        replaced('"mains-filter"', `"mains${bad}"`),
      ]) {
        const text = JSON.stringify(refused(body).codes)
        expect(text).not.toMatch(/\\u0000|\\ud[89a-f]/i)
      }
    }
  })

  test('at most a hundred, and no pointer without end', () => {
    const wide = example((wire) => {
      for (let index = 0; index < 5_000; index += 1) wire[`x${index}`] = 1
    })
    expect(codes(wide)).toHaveLength(100)
    const long = example((wire) => (wire['y'.repeat(500_000)] = 1))
    expect(JSON.stringify(refused(long).codes).length).toBeLessThan(2_000)
    const doubled = `{"${'z'.repeat(200_000)}": {${'"a":1,'.repeat(50_000)}"a":1}}`
    expect(JSON.stringify(refused(doubled).codes).length).toBeLessThan(60_000)
  })

  test('a member named __proto__ is a member like any other', () => {
    expect(codes(replaced('"format": "run/1"', '"__proto__": {"station": "LDS-F9"}'))).toEqual([
      'field-invalid /__proto__',
    ])
    expect(codes(replaced('"format": "run/1"', '"extra": {"__proto__": "kept"}'))).toEqual([
      'field-invalid /extra/__proto__',
    ])
    expect(codes(replaced('"mains-filter": "F-0932"', '"__proto__": "F-0932"'))).toEqual([
      'field-invalid /componentLots/__proto__',
    ])
  })
})

describe('spellings that are taken', () => {
  test('both micro signs, both ohm signs, ohm and VA', () => {
    const unitsOf = (unit: string, index: number) =>
      read(example((wire) => (wire.steps[index].measurements[0].reading.unit = unit))).upload.steps[index]
        ?.measurements[0]?.reading?.value
    for (const unit of ['m\u2126', 'm\u03a9', 'mohm']) expect(unitsOf(unit, 0)).toMatchObject({ unit: 'mOhm' })
    for (const unit of ['\u00b5A', '\u03bcA', 'uA']) expect(unitsOf(unit, 1)).toMatchObject({ unit: 'uA' })
  })

  test('no step at all: a run that was broken off before its first', () => {
    expect(read(example((wire) => (wire.steps = []))).upload.steps).toEqual([])
  })
})
