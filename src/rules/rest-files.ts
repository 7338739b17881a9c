import { z } from 'zod'
import { KeyWire, TextWire } from '../exact/text.ts'
import { NumberParam, refusals, requireMatch, sendCreated, sendEditable } from '../platform/http/conventions.ts'
import { type RestApp, rawBodyOf, type Services } from '../platform/http/server.ts'
import { describeIssues } from '../platform/http/validation.ts'
import { Problem, type ProblemError } from '../platform/problems.ts'
import { createEdition, type RuleServices, replaceEdition } from './acts.ts'
import { readTableCsv } from './files/csv-in.ts'
import { writeTableCsv } from './files/csv-out.ts'
import { type CsvDecimalMark, type CsvSeparator, csvDecimalMarks, csvSeparators } from './files/csv-text.ts'
import { readDmn } from './files/dmn-in.ts'
import { writeDmn } from './files/dmn-out.ts'
import type { FileDraft, FileRead, FileTarget } from './files/draft.ts'
import { getEdition } from './reads.ts'
import { EditionWire } from './record.ts'
import { type EditionDraft, EditionDraftWire } from './words.ts'

/** Beyond what the largest edition makes of itself in XML, with every sign of it written as a reference. */
const FILE_BYTES_MAX = 8_388_608

const FileParams = z.strictObject({ table: KeyWire, edition: NumberParam })
const FileQuery = z.strictObject({
  changeReason: TextWire(1000).optional().describe('Why this edition differs from the one before it'),
})
const CsvQuery = z.strictObject({
  separator: z.enum(Object.keys(csvSeparators) as [CsvSeparator, ...CsvSeparator[]]).default('comma'),
  decimalMark: z.enum(Object.keys(csvDecimalMarks) as [CsvDecimalMark, ...CsvDecimalMark[]]).default('point'),
})
const tags = ['rules']

const DMN_MEANING = [
  'OMG DMN 1.5: one decision with a decision table in FEEL. What DMN has no place for (units, relations, sources, overrides,',
  'when the table applies) stands in extension elements, so that the file reads back as the same content, to the digest.',
  'High voltage can kill; local code and licensed practice govern.',
].join(' ')
const CSV_MEANING = [
  'A line for each row of the table, beneath lines for everything else; UTF-8 with its mark. The first line declares the',
  'separator and the decimal mark. An apostrophe stands before text that a spreadsheet would run or rewrite; leave it, and',
  'the file reads back as the same content, to the digest. High voltage can kill; local code and licensed practice govern.',
].join(' ')
const IN_MEANING = [
  'The file is read whole or not at all. Table and edition in it must be those of the path. Where something is missing, as in',
  'a DMN model made elsewhere, the refusal `file-incomplete` names it and carries everything that was read as `draft`: fill it',
  'in and send it as JSON. Document type declarations are refused, and with them every entity.',
].join(' ')

/** Editions as files: DMN for other tools, CSV for spreadsheets. */
export function registerEditionFiles(app: RestApp, services: Services & RuleServices): void {
  registerDmn(app, services)
  registerCsv(app, services)
}

function registerDmn(app: RestApp, services: Services & RuleServices): void {
  const path = '/v1/rule-tables/:table/editions/:edition/dmn'
  const content = { 'application/xml': { schema: z.string() } }
  app.get(
    path,
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getEditionDmn',
        tags,
        summary: 'One edition of a rule table as DMN',
        description: DMN_MEANING,
        params: FileParams,
        response: { 200: { description: 'A DMN model', content }, ...refusals('edition-not-found') },
      },
    },
    async (request, reply) => {
      const edition = await getEdition(services.database.sql, request.params.table, request.params.edition)
      sendEditable(reply, edition)
      return reply.type('application/xml; charset=utf-8').send(writeDmn(edition.content) as never)
    },
  )
  registerIn(app, services, { path, name: 'Dmn', type: 'application/xml', summary: 'a DMN model', read: readDmn })
}

function registerCsv(app: RestApp, services: Services & RuleServices): void {
  const path = '/v1/rule-tables/:table/editions/:edition/csv'
  const content = { 'text/csv': { schema: z.string() } }
  app.get(
    path,
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getEditionCsv',
        tags,
        summary: 'One edition of a rule table as CSV for a spreadsheet',
        description: CSV_MEANING,
        params: FileParams,
        querystring: CsvQuery,
        response: { 200: { description: 'A CSV file', content }, ...refusals('edition-not-found') },
      },
    },
    async (request, reply) => {
      const edition = await getEdition(services.database.sql, request.params.table, request.params.edition)
      sendEditable(reply, edition)
      const text = writeTableCsv(edition.content, request.query)
      return reply.type('text/csv; charset=utf-8').send(text as never)
    },
  )
  registerIn(app, services, { path, name: 'Csv', type: 'text/csv', summary: 'a CSV file', read: readTableCsv })
}

interface FileForm {
  readonly path: string
  /** What the form is called in operations. */
  readonly name: 'Dmn' | 'Csv'
  readonly type: string
  readonly summary: string
  readonly read: (bytes: Uint8Array, target: FileTarget) => FileRead
}

/** The two ways in, in a scope of its own that takes this one kind of file. */
function registerIn(app: RestApp, services: Services & RuleServices, form: FileForm): void {
  const { path, name, summary, read } = form
  // Clients made from the document often know no other type for text; the path says what the text is.
  const types = [form.type, 'text/plain']
  app.register(async (inner) => {
    const scope = inner as unknown as RestApp
    scope.removeAllContentTypeParsers()
    scope.addContentTypeParser(types, { parseAs: 'buffer', bodyLimit: FILE_BYTES_MAX }, (_request, bytes, done) =>
      done(null, bytes),
    )
    const shared = {
      tags,
      description: IN_MEANING,
      consumes: types,
      params: FileParams,
      querystring: FileQuery,
      body: z.string(),
    }
    scope.post(
      path,
      {
        config: { permission: 'write', rawBody: true },
        schema: {
          ...shared,
          operationId: `createEditionFrom${name}`,
          summary: `Write a new edition from ${summary}`,
          response: {
            201: EditionWire,
            ...refusals('file-unreadable', 'file-incomplete', 'already-exists', 'number-not-higher'),
          },
        },
      },
      async (request, reply) => {
        const { draft, places } = draftOf(read(rawBodyOf(request), request.params), request.query.changeReason)
        const created = await inPlaces(places, createEdition(services, request.person, request.params.table, draft))
        const location = ['rule-tables', created.table, 'editions', String(created.edition)]
        return sendCreated(reply, location, sendEditable(reply, created))
      },
    )
    scope.put(
      path,
      {
        config: { permission: 'write', rawBody: true },
        schema: {
          ...shared,
          operationId: `replaceEditionFrom${name}`,
          summary: `Replace a draft by ${summary}; needs If-Match`,
          response: {
            200: EditionWire,
            ...refusals(
              'file-unreadable',
              'file-incomplete',
              'edition-not-found',
              'edition-locked',
              'precondition-missing',
              'precondition-stale',
            ),
          },
        },
      },
      async (request, reply) => {
        const { draft, places } = draftOf(read(rawBodyOf(request), request.params), request.query.changeReason)
        const match = (digest: string) => requireMatch(request, digest)
        const replacing = replaceEdition(services, request.person, request.params, draft, match)
        return sendEditable(reply, await inPlaces(places, replacing))
      },
    )
  })
}

/**
 * @throws Problem `file-unreadable` where nothing could be read, `file-incomplete` with the draft where it could,
 *   `field-invalid` where what it says is not valid
 */
function draftOf(
  read: FileRead,
  changeReason: string | undefined,
): { readonly draft: EditionDraft; readonly places: FileDraft['placeOf'] } {
  if ('fault' in read)
    throw new Problem('file-unreadable', { detail: read.fault.detail, members: { code: read.fault.code } })
  const { content, missing, placeOf } = read.draft
  const draft = { content, ...(changeReason !== undefined && { changeReason }) }
  if (missing.length > 0) {
    const errors = missing.map((one) => ({ ...one, pointer: `/content${one.pointer}` }))
    throw new Problem('file-incomplete', { errors: placed(errors, placeOf), members: { draft } })
  }
  const valid = EditionDraftWire.safeParse(draft)
  if (valid.success) return { draft: valid.data, places: placeOf }
  throw new Problem('field-invalid', { errors: placed(describeIssues(valid.error.issues, draft, 'body'), placeOf) })
}

/** Tells beside each pointer where in the file it stands. */
function placed(errors: readonly ProblemError[], placeOf: FileDraft['placeOf']): ProblemError[] {
  return errors.map((error) => {
    const place = placeOf(error.pointer.replace(/^\/content/, ''))
    return place === undefined ? error : { ...error, detail: `${error.detail} (${place})` }
  })
}

async function inPlaces<Value>(placeOf: FileDraft['placeOf'], act: Promise<Value>): Promise<Value> {
  try {
    return await act
  } catch (error) {
    if (!(error instanceof Problem) || error.errors === undefined) throw error
    const { key, detail, errors, members, headers } = error
    throw new Problem(key, {
      ...(detail !== undefined && { detail }),
      ...(members !== undefined && { members }),
      ...(headers !== undefined && { headers }),
      errors: placed(errors, placeOf),
    })
  }
}
