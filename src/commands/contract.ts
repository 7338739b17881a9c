import 'zod/compile'
import { mkdir, writeFile } from 'node:fs/promises'
import { describeContract } from '../app.ts'

/** Writes the OpenAPI document that this code serves to openapi/v1.json. Needs no database. */
const directory = new URL('../../openapi/', import.meta.url)
const text = await describeContract()
await mkdir(directory, { recursive: true })
await writeFile(new URL('v1.json', directory), text)
const { paths } = JSON.parse(text) as { paths: Record<string, Record<string, unknown>> }
const operationCount = Object.values(paths).reduce((count, path) => count + Object.keys(path).length, 0)
console.log(`openapi/v1.json: ${operationCount} operations on ${Object.keys(paths).length} paths`)
