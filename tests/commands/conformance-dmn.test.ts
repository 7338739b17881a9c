import { execFile } from 'node:child_process'
import { existsSync } from 'node:fs'
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { literalXml, modelXml, tableXml } from '../rules/dmn/models.ts'

const root = fileURLToPath(new URL('../../', import.meta.url))
/** The public kit, where it lies beside the project; it is no part of it. */
const KIT = join(root, '../shared/reference/dmn-tck')

async function run(directory: string | undefined): Promise<{ code: number; lines: string[]; said: string }> {
  const command = [
    '--import',
    'tsx',
    'src/commands/conformance-dmn.ts',
    ...(directory === undefined ? [] : [directory]),
  ]
  return new Promise((resolve) => {
    execFile(process.execPath, command, { cwd: root }, (error, stdout, said) => {
      resolve({ code: typeof error?.code === 'number' ? error.code : 0, lines: stdout.trimEnd().split('\n'), said })
    })
  })
}

let directory: string

const model = modelXml({
  inputs: { voltage: 'number' },
  decisions: {
    d: {
      type: 'number',
      xml: tableXml({
        inputs: [['voltage', 'number']],
        outputs: [[]],
        rules: [
          ['<= 150', '800'],
          ['> 150', '1000'],
        ],
      }),
    },
  },
})

const testsXml = (name: string, cases: readonly (readonly [voltage: string, expected: string])[]) => {
  const written = cases.map(
    ([voltage, expected], index) =>
      `<testCase id="00${index + 1}"><inputNode name="voltage"><value xsi:type="xsd:decimal">${voltage}</value></inputNode><resultNode name="d" type="decision"><expected><value xsi:type="xsd:decimal">${expected}</value></expected></resultNode></testCase>`,
  )
  return `<testCases xmlns="http://www.omg.org/spec/DMN/20160719/testcase" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xmlns:xsd="http://www.w3.org/2001/XMLSchema"><modelName>${name}</modelName>${written.join('')}</testCases>`
}

async function writeCase(name: string, dmn: string, tests: string): Promise<void> {
  const folder = join(directory, 'kit', name)
  await mkdir(folder, { recursive: true })
  await writeFile(join(folder, `${name}.dmn`), dmn)
  await writeFile(join(folder, `${name}-test-01.xml`), tests)
}

/** As the older cases of the kit write values: the model says what they are. */
const untyped = (tests: string) => tests.replaceAll(/ xsi:type="[^"]*"/g, '')

beforeAll(async () => {
  directory = await mkdtemp(join(tmpdir(), 'limitkeep-tck-'))
  await writeCase(
    '0001-good',
    model,
    testsXml('0001-good.dmn', [
      ['100', '800'],
      ['200', '1000.000000001'],
    ]),
  )
  await writeCase('0001-untyped', model, untyped(testsXml('0001-untyped.dmn', [['100', '800']])))
  await writeCase(
    '0002-wrong',
    model,
    testsXml('0002-wrong.dmn', [
      ['100', '800'],
      ['200', '999'],
    ]),
  )
  await writeCase(
    '0003-other',
    modelXml({ decisions: { d: { xml: literalXml('1') } } }),
    testsXml('0003-other.dmn', [['1', '1']]),
  )
  await writeCase(
    '0004-hostile',
    `<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>${model}`,
    testsXml('0004-hostile.dmn', [['1', '800']]),
  )
  await writeCase('0005-no-model', model, testsXml('other.dmn', [['1', '800']]))
})

afterAll(() => rm(directory, { recursive: true, force: true }))

test('tells of each case in a line and counts them, with what went wrong', async () => {
  const { code, lines } = await run(directory)
  expect(lines).toEqual([
    'passed    0001-good: 2 tests',
    'passed    0001-untyped: 1 test',
    'failed    0002-wrong',
    '          test 002, d: 1000 where 999 is expected',
    'left out  0003-other: no decision table',
    'failed    0004-hostile',
    '          0004-hostile.dmn, line 1: A document type declaration is not read, and no entity that it could define.',
    "          0004-hostile-test-01.xml: the model '0004-hostile.dmn' was not read",
    'failed    0005-no-model',
    "          0005-no-model-test-01.xml: the model 'other.dmn' was not read",
    '2 passed, 3 failed',
  ])
  expect(code).toBe(1)
})

test('one folder may be a case itself; without cases, and without a folder, it fails', async () => {
  expect(await run(join(directory, 'kit/0001-good'))).toMatchObject({
    code: 0,
    lines: ['passed    0001-good: 2 tests', '1 passed, 0 failed'],
  })
  expect(await run(join(directory, 'kit/0003-other'))).toMatchObject({
    code: 1,
    lines: expect.arrayContaining(['0 passed, 0 failed']),
  })
  expect((await run(join(directory, 'nowhere'))).code).toBe(2)
  expect(await run(undefined)).toMatchObject({ code: 2, said: expect.stringContaining('usage:') })
})

if (existsSync(KIT)) {
  test('the cases of the public kit pass', async () => {
    const { code, lines } = await run(KIT)
    expect(lines.filter((line) => !line.startsWith('passed'))).toEqual([
      expect.stringMatching(/^\d+ passed, 0 failed$/),
    ])
    expect(code).toBe(0)
  })
}
