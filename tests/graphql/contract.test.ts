import { readFileSync } from 'node:fs'
import { buildSchema, type GraphQLObjectType, type GraphQLSchema, isObjectType } from 'graphql'
import { describe, expect, test } from 'vitest'
import { describeGraph } from '../../src/app.ts'
import { outcomes, verdicts } from '../../src/judging/words.ts'
import { findingCodes } from '../../src/plans/findings.ts'
import { graphWord } from '../../src/platform/http/graphql/builder.ts'

const committed = (name: string) => readFileSync(new URL(`../../openapi/${name}`, import.meta.url), 'utf8')
const text = describeGraph()
const schema: GraphQLSchema = buildSchema(text)

// biome-ignore lint/suspicious/noExplicitAny: a document of any shape is looked into.
const openapi: any = JSON.parse(committed('v1.json'))

describe('openapi/v1.graphql', () => {
  test('is the schema that the code serves, in order of names, the same every time', () => {
    expect(text, 'run `npm run contract`').toBe(committed('v1.graphql'))
    expect(describeGraph()).toBe(text)
  })

  test('asks only: nothing is changed and nothing subscribed to in this version', () => {
    expect(schema.getMutationType()).toBeUndefined()
    expect(schema.getSubscriptionType()).toBeUndefined()
  })

  test('takes its enums from the lists of words', () => {
    const words = (name: string) => {
      const type = schema.getType(name)
      return type && 'getValues' in type ? type.getValues().map((value) => value.name) : undefined
    }
    expect(words('Verdict')?.sort()).toEqual(verdicts.map(graphWord).sort())
    expect(words('Outcome')?.sort()).toEqual(outcomes.map(graphWord).sort())
    expect(words('FindingCode')?.sort()).toEqual(findingCodes.map(graphWord).sort())
  })

  test('pages every connection alike', () => {
    for (const type of Object.values(schema.getTypeMap())) {
      if (!isObjectType(type) || type.name.startsWith('__')) continue
      for (const field of Object.values(type.getFields())) {
        const takes = field.args.map(({ name }) => name)
        if (!String(field.type).includes('Connection'))
          expect(takes, `${type.name}.${field.name}`).not.toContain('first')
        else expect(takes, `${type.name}.${field.name}`).toEqual(expect.arrayContaining(['first', 'after']))
      }
    }
  })
})

/** The type that answers what a REST component answers, where it has another name. Wrappers of pages have none. */
const TYPE_OF: Readonly<Record<string, string>> = {
  ListedUpload: 'Run',
  UnitRelease: 'Unit',
  StudyNumber: 'WrittenQuantity',
  InstrumentCapabilitiesStored: 'InstrumentCapabilities',
}

/**
 * Fields that REST answers and the graph does not. The list may only shrink: build the field, then strike it out. A
 * component here stands for all of its fields.
 */
const WITHOUT_TWIN = [
  // What a station or a service asks, not a person with questions.
  'Assignment',
  'AssignmentNext',
  'AssignmentReason',
  'Liveness',
  'Readiness',
  'SetupSheet',
  'SetupSheetInspection',
  'SetupSheetLimit',
  'SetupSheetMark',
  'SetupSheetTesterStep',
  // What a failed check affects is worked through by who must decide about it, page by page.
  'AffectedRun',
  // Feeds and intake are for machines: who reads them page by page keeps a cursor, or the lines that were sent.
  'Batch',
  'Event',
  // Persons and keys are administered over REST alone.
  'AccessKey',
  'Person',
  // What kind of thing was answered: an upload that is asked for later is never a repeat.
  'RunAnswer.repeated',
  // Release stands in a unit as one object.
  'UnitRelease.concessions',
  'UnitRelease.provisional',
  'UnitRelease.reasons',
  'UnitRelease.releasable',
]

/** Components that answers of GET routes consist of, wrappers of pages left out, with the fields of each. */
function answeredFields(): Map<string, string[]> {
  const fields = new Map<string, string[]>()
  const read = (node: unknown): void => {
    if (Array.isArray(node)) node.forEach(read)
    else if (typeof node === 'object' && node !== null) {
      for (const [member, inner] of Object.entries(node)) {
        if (member === '$ref') follow(String(inner).slice('#/components/schemas/'.length))
        else read(inner)
      }
    }
  }
  const follow = (name: string): void => {
    if (fields.has(name)) return
    const component = openapi.components.schemas[name]
    const properties = component.properties ?? {}
    const isPage = 'nextCursor' in properties
    fields.set(name, isPage ? [] : Object.keys(properties))
    // Content is answered whole, as JSON, and so are the sides of a change.
    if (!/Content$|ChangeSide$/.test(name)) read(component)
  }
  for (const path of Object.values<Record<string, unknown>>(openapi.paths)) {
    const get = path['get'] as { responses?: Record<string, unknown> } | undefined
    read(get?.responses?.['200'])
  }
  return fields
}

function missingTwins(): string[] {
  const missing: string[] = []
  for (const [component, fields] of answeredFields()) {
    if (fields.length === 0 || /Content$/.test(component)) continue
    const type = schema.getType(TYPE_OF[component] ?? component) as GraphQLObjectType | undefined
    if (!isObjectType(type)) missing.push(component)
    else missing.push(...fields.filter((field) => !(field in type.getFields())).map((field) => `${component}.${field}`))
  }
  return missing.sort()
}

describe('parity with REST', () => {
  test('looks at what REST answers', () => {
    const fields = answeredFields()
    expect([...fields.keys()]).toEqual(expect.arrayContaining(['Plan', 'PlanRevision', 'RunAnswer', 'Unit', 'Finding']))
    expect(fields.get('Plan')).toContain('revisionsInForce')
  })

  test('every field has a twin but those listed', () => {
    expect(missingTwins()).toEqual([...WITHOUT_TWIN].sort())
  })
})
