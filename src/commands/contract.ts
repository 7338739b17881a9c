import 'zod/compile'
import { mkdir, writeFile } from 'node:fs/promises'
import { describeContract, describeGraph } from '../app.ts'

/** Writes what this code serves: the OpenAPI document to openapi/v1.json, the graph to openapi/v1.graphql. Needs no database. */
const directory = new URL('../../openapi/', import.meta.url)
const text = await describeContract()
await mkdir(directory, { recursive: true })
await writeFile(new URL('v1.json', directory), text)
const graph = describeGraph()
await writeFile(new URL('v1.graphql', directory), graph)
const { paths } = JSON.parse(text) as { paths: Record<string, Record<string, unknown>> }
const operationCount = Object.values(paths).reduce((count, path) => count + Object.keys(path).length, 0)
console.log(`openapi/v1.json: ${operationCount} operations on ${Object.keys(paths).length} paths`)
console.log(`openapi/v1.graphql: ${graph.match(/^type /gm)?.length ?? 0} types`)
