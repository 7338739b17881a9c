import { readFileSync } from 'node:fs'
import { expect, test } from 'vitest'

// biome-ignore lint/suspicious/noExplicitAny: a document of any shape is looked into.
type Document = any

const document: Document = JSON.parse(readFileSync(new URL('../../openapi/v1.json', import.meta.url), 'utf8'))
const schemas: Record<string, Document> = document.components.schemas

/** What a stranger writes: each member must say what it is. */
const WRITTEN = ['Upload', 'ProductContent', 'EditionContent', 'PlanContent']

function resolved(schema: Document): Document {
  const name = schema.$ref?.split('/').at(-1)
  return name === undefined ? schema : (schemas[name] ?? expect.fail(`there is no component ${name}`))
}

const branches = (schema: Document): Document[] => [...(schema.anyOf ?? []), ...(schema.oneOf ?? [])]

/** Whether the member or what it stands for says what it is. */
function isDescribed(schema: Document): boolean {
  return (
    typeof schema.description === 'string' ||
    (schema.$ref !== undefined && isDescribed(resolved(schema))) ||
    branches(schema).some(isDescribed)
  )
}

/** Members of a schema and of what is in it, by path, that do not say what they are. */
function undescribed(schema: Document, path: string, seen: ReadonlySet<string> = new Set()): string[] {
  const name = schema.$ref
  if (name !== undefined && seen.has(name)) return []
  const inner = new Set([...seen, ...(name === undefined ? [] : [name])])
  const at = resolved(schema)
  return [
    ...Object.entries<Document>(at.properties ?? {}).flatMap(([member, value]) => [
      ...(isDescribed(value) ? [] : [`${path}.${member}`]),
      ...undescribed(value, `${path}.${member}`, inner),
    ]),
    ...(at.items === undefined ? [] : undescribed(at.items, `${path}[]`, inner)),
    ...branches(at).flatMap((branch) => undescribed(branch, path, inner)),
  ]
}

test.each(WRITTEN)('every member of %s says what it is', (name) => {
  expect([...new Set(undescribed({ $ref: `#/components/schemas/${name}` }, name))]).toEqual([])
})

test('a code of an upload is one of a list, and each says its outcome and the way out', () => {
  const { code } = schemas['UploadCode'].properties
  expect(code.enum.length).toBeGreaterThan(30)
  for (const one of code.enum)
    expect(code.description).toMatch(new RegExp(`- \`${one}\` \\((accepted|held|rejected)\\): \\S`))
})

test('the page says how a plant is set up, by operations that are there, and warns', () => {
  const { description } = document.info
  const operations = new Set(
    Object.values<Document>(document.paths).flatMap((path) =>
      Object.values<Document>(path).map((one) => one.operationId),
    ),
  )
  const named = [...description.matchAll(/`([a-z]+[A-Z]\w+)`/g)].map(([, one]) => one)
  const words = new Set([...JSON.stringify(schemas).matchAll(/"(\w+)"/g)].map(([, one]) => one))
  expect(named.length).toBeGreaterThan(20)
  expect(named.filter((one) => !operations.has(one) && !words.has(one))).toEqual([])
  expect(description).toMatch(/High voltage can kill.*Local codes and licensed practice/s)
})
