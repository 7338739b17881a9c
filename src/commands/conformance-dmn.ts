import { readdir, readFile } from 'node:fs/promises'
import { basename, join } from 'node:path'
import { readXml, type XmlElement } from '../exact/xml.ts'
import { evaluateDecision } from '../rules/dmn/evaluate.ts'
import { type DmnModel, readModel } from '../rules/dmn/model.ts'
import { inputsOf, isExpected, readTests, shown, shownGiven, type TckTest } from './conformance/tck-cases.ts'

/**
 * Runs cases of the DMN Technology Compatibility Kit that have decision tables: every folder below DIR that holds a model
 * (`*.dmn`) and its tests (`*.xml`). One line a case, under it what went wrong; the last line counts. The exit code is 1
 * where a case failed or none was found, 2 where DIR cannot be read.
 */
const [directory] = process.argv.slice(2)
if (directory === undefined) {
  console.error('usage: npm run conformance:dmn -- DIR')
  process.exit(2)
}

interface Case {
  readonly folder: string
  readonly models: readonly string[]
  readonly tests: readonly string[]
}

async function casesIn(folder: string): Promise<Case[]> {
  const entries = await readdir(folder, { withFileTypes: true })
  const named = (ending: string) =>
    entries
      .filter((entry) => entry.isFile() && entry.name.endsWith(ending))
      .map(({ name }) => name)
      .sort()
  const found: Case = { folder, models: named('.dmn'), tests: named('.xml') }
  const inner: Case[] = []
  for (const { name } of entries.filter((entry) => entry.isDirectory()).sort((a, b) => (a.name < b.name ? -1 : 1))) {
    inner.push(...(await casesIn(join(folder, name))))
  }
  return found.models.length > 0 && found.tests.length > 0 ? [found, ...inner] : inner
}

async function documentAt(folder: string, name: string): Promise<XmlElement | string> {
  const read = readXml(await readFile(join(folder, name)))
  return read.ok ? read.root : `${name}, line ${read.fault.line}: ${read.fault.detail}`
}

/** What went wrong in a case, line by line, and how many tests it has; undefined where no model has a decision table. */
async function run({ folder, models, tests }: Case): Promise<{ faults: string[]; count: number } | undefined> {
  const faults: string[] = []
  const known = new Map<string, DmnModel>()
  let hasTable = false
  for (const name of models) {
    const root = await documentAt(folder, name)
    if (typeof root === 'string') {
      faults.push(root)
      continue
    }
    hasTable ||= holdsTable(root)
    const read = readModel(root)
    if ('model' in read) known.set(name, read.model)
    else faults.push(`${name}, line ${read.fault.line}: ${read.fault.detail}`)
  }
  if (!hasTable && faults.length === 0) return undefined
  let count = 0
  for (const name of tests) {
    const root = await documentAt(folder, name)
    if (typeof root === 'string') faults.push(root)
    else if (root.name === 'testCases') {
      const modelName = root.children.find((child) => child.name === 'modelName')?.text.trim() ?? ''
      const model = known.get(modelName)
      const all = readTests(root)
      count += all.length
      if (model) for (const test of all) faults.push(...runTest(model, test))
      else faults.push(`${name}: the model '${modelName}' was not read`)
    }
  }
  if (count === 0) faults.push('has no test')
  return { faults, count }
}

function holdsTable({ name, children }: XmlElement): boolean {
  return name === 'decisionTable' || children.some(holdsTable)
}

function runTest(model: DmnModel, test: TckTest): string[] {
  const { id, results, unread } = test
  if (unread !== undefined) return [`test ${id}: ${unread}`]
  const inputs = inputsOf(test, model)
  return results.flatMap(({ decision, expected }) => {
    const evaluated = evaluateDecision(model, decision, inputs)
    if (!evaluated) return [`test ${id}: there is no decision '${decision}'`]
    if (isExpected(evaluated.value, expected)) return []
    const because = evaluated.faults.map(({ line, detail }) => `; line ${line}: ${detail}`).join('')
    return [`test ${id}, ${decision}: ${shown(evaluated.value)} where ${shownGiven(expected)} is expected${because}`]
  })
}

let passed = 0
let failed = 0
const cases = await casesIn(directory).catch((error: unknown) => {
  console.error(error instanceof Error ? error.message : String(error))
  process.exit(2)
})
for (const one of cases) {
  const outcome = await run(one)
  const name = basename(one.folder)
  if (!outcome) console.log(`left out  ${name}: no decision table`)
  else if (outcome.faults.length === 0) {
    passed += 1
    console.log(`passed    ${name}: ${outcome.count} ${outcome.count === 1 ? 'test' : 'tests'}`)
  } else {
    failed += 1
    console.log(`failed    ${name}`)
    for (const fault of outcome.faults) console.log(`          ${fault}`)
  }
}
if (passed + failed === 0) console.log(`There is no case with a decision table in ${directory}.`)
console.log(`${passed} passed, ${failed} failed`)
process.exitCode = failed > 0 || passed === 0 ? 1 : 0
