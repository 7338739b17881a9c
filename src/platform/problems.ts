import { z } from 'zod'

/**
 * Every refusal of the service, one a line. Keys are permanent: a retired key stays here as a comment and is never
 * used again, because clients branch on `type`. Titles are for people and may be reworded.
 */
export const problems = {
  // The request itself.
  'body-not-json': { status: 400, title: 'The body is not one JSON document' },
  'parameter-invalid': { status: 400, title: 'A path or query parameter or a header is not valid' },
  'cursor-invalid': { status: 400, title: 'The cursor was not made by this list' },
  'request-malformed': { status: 400, title: 'The request is not proper HTTP' },
  'query-invalid': { status: 400, title: 'The GraphQL query is not valid' },
  'query-too-large': { status: 400, title: 'The GraphQL query asks for too much at once' },
  'key-missing': { status: 401, title: 'An access key is needed' },
  'key-invalid': { status: 401, title: 'The access key is unknown or revoked' },
  'permission-missing': { status: 403, title: 'This key may not do that' },
  'one-time-code-missing': { status: 403, title: 'A signature needs a one-time code' },
  'one-time-code-invalid': { status: 403, title: 'The one-time code does not count' },
  'two-people-required': { status: 403, title: 'A second person must do this' },
  'route-not-found': { status: 404, title: 'There is nothing at this path' },
  'method-not-allowed': { status: 405, title: 'There is something at this path, but not by this method' },
  'request-timeout': { status: 408, title: 'The request did not arrive in time' },
  'body-too-large': { status: 413, title: 'The body is too large' },
  'path-too-long': { status: 414, title: 'A part of the path is too long' },
  'media-type-unsupported': { status: 415, title: 'The body is of a type that is not taken here' },
  'headers-too-large': { status: 431, title: 'The headers are too large' },

  // Things that are not there.
  'site-not-found': { status: 404, title: 'No such site' },
  'station-not-found': { status: 404, title: 'No such station' },
  'instrument-not-found': { status: 404, title: 'No such instrument' },
  'calibration-not-found': { status: 404, title: 'No such calibration' },
  'reference-unit-not-found': { status: 404, title: 'No such reference unit' },
  'check-plan-not-found': { status: 404, title: 'No such check plan' },
  'station-check-not-found': { status: 404, title: 'No such station check' },
  'concession-not-found': { status: 404, title: 'No such concession' },
  'permit-not-found': { status: 404, title: 'No such permit' },
  'programming-not-found': { status: 404, title: 'No such programming' },
  'person-not-found': { status: 404, title: 'No such person' },
  'key-not-found': { status: 404, title: 'No such access key' },
  'one-time-secret-not-found': { status: 404, title: 'This person has no secret for one-time codes' },
  'product-not-found': { status: 404, title: 'No such product' },
  'version-not-found': { status: 404, title: 'No such product version' },
  'rule-table-not-found': { status: 404, title: 'No such rule table' },
  'impact-not-found': { status: 404, title: 'No such impact' },
  'edition-not-found': { status: 404, title: 'No such edition' },
  'sweep-not-found': { status: 404, title: 'No sweep, which begins with the publication' },
  'plan-not-found': { status: 404, title: 'No such plan' },
  'revision-not-found': { status: 404, title: 'No such revision' },
  'variant-not-found': { status: 404, title: 'No such variant' },
  'run-not-found': { status: 404, title: 'No such run' },
  'batch-not-found': { status: 404, title: 'No such batch' },
  'profile-not-found': { status: 404, title: 'No such station profile' },
  'file-not-found': { status: 404, title: 'No such file' },
  'study-not-found': { status: 404, title: 'No such study' },
  'unit-not-found': { status: 404, title: 'No such unit' },

  // What stands in the way now.
  'already-exists': { status: 409, title: 'This key is taken' },
  'number-not-higher': { status: 409, title: 'The number must be above the highest so far' },
  'version-locked': { status: 409, title: 'The product version can no longer be edited' },
  'edition-locked': { status: 409, title: 'The edition can no longer be edited' },
  'revision-locked': { status: 409, title: 'The revision can no longer be edited' },
  'state-conflict': { status: 409, title: 'The act does not fit the present state' },
  'digest-stale': { status: 409, title: 'The content is not the one whose digest was given' },
  'rules-changed': { status: 409, title: 'The rules changed while this was being signed' },
  'beyond-rules': { status: 409, title: 'The rules in effect do not allow this' },
  'limit-reason-missing': { status: 422, title: 'A limit moves far, and nothing says why' },
  'findings-block': { status: 409, title: 'Findings stand in the way' },
  'other-plan-in-force': { status: 409, title: 'Another plan is in force for this variant, operation and site' },
  'effective-instant-passed': { status: 409, title: 'The instant asked for has passed' },
  'revision-not-current': { status: 409, title: 'The revision is neither scheduled nor in force at that instant' },
  'instrument-not-at-station': { status: 409, title: 'The instrument is not at this station at that instant' },
  'instrument-not-capable': { status: 409, title: 'The instrument cannot do what the revision asks' },
  'already-ended': { status: 409, title: 'This has already ended' },
  'already-revoked': { status: 409, title: 'This access key is already revoked' },
  'last-administrator-key': { status: 409, title: 'This is the last key of an administrator' },
  'secret-already-fetched': { status: 409, title: 'The secret was fetched before and is shown once' },
  'correction-not-found': { status: 404, title: 'No such correction' },
  'event-key-reused': { status: 409, title: 'This event key was used for another event' },
  'upload-key-reused': { status: 409, title: 'This upload key was used for different content' },
  'precondition-stale': { status: 412, title: 'The resource has changed since it was read' },
  'precondition-missing': { status: 428, title: 'If-Match is needed' },

  // What the body says.
  'field-invalid': { status: 422, title: 'A field is not valid' },
  'file-unreadable': { status: 422, title: 'The file cannot be read' },
  'file-incomplete': { status: 422, title: 'The file does not say all that is needed' },
  'reference-unknown': { status: 422, title: 'A field names something that does not exist' },
  'instant-in-future': { status: 422, title: 'The instant lies in the future' },
  'batch-incomplete': { status: 422, title: 'Not all of the batch was taken' },
  'file-refused': { status: 422, title: 'The file is refused whole' },
  'upload-rejected': { status: 422, title: 'The upload is rejected' },

  // Us.
  unexpected: { status: 500, title: 'Something unexpected happened' },
  overloaded: { status: 503, title: 'The service is busy; try again' },
  stopping: { status: 503, title: 'The service is stopping; try again' },
} as const satisfies Record<string, { status: number; title: string }>

export type ProblemKey = keyof typeof problems

/** Where a refused value stood. `body` unless said otherwise. */
export type ProblemPlace = 'body' | 'path' | 'query' | 'header'

/** One refused value. `pointer` is RFC 6901 (`/steps/0/dwell`); for parameters and headers it is `/` and the name. */
export interface ProblemError {
  readonly pointer: string
  readonly detail: string
  readonly code?: string
  readonly in?: ProblemPlace
}

/** What a pure check refuses in a body, or in a part of one, which the pointer then starts at. */
export type ContentRefusal = Required<Omit<ProblemError, 'in'>>

export interface ProblemOptions {
  /** A sentence for the caller. Never holds anything that only we should see. */
  readonly detail?: string
  readonly errors?: readonly ProblemError[]
  /** Further members of the answer, such as those of a rejected upload. They cannot replace type, title or status. */
  readonly members?: Readonly<Record<string, unknown>>
  readonly headers?: Readonly<Record<string, string>>
  /** For our log alone. */
  readonly cause?: unknown
}

const TYPE_PREFIX = 'urn:limitkeep:problem:'
const ERRORS_MAX = 100

/** The `type` member of a problem, and the word clients branch on. */
export function problemType(key: ProblemKey): string {
  return TYPE_PREFIX + key
}

/** RFC 9457 as this service writes it. Some problems carry further members, hence loose. */
export const ProblemWire = z
  .looseObject({
    type: z.enum(Object.keys(problems).map((key) => TYPE_PREFIX + key)),
    title: z.string(),
    status: z.int().min(400).max(599),
    detail: z.string().optional(),
    requestId: z.string().optional(),
    errors: z
      .array(
        z.strictObject({
          pointer: z.string().describe('JSON Pointer of the refused value, as a URI fragment (RFC 6901 section 6)'),
          detail: z.string(),
          code: z.string(),
          in: z.enum(['body', 'path', 'query', 'header']),
        }),
      )
      .max(ERRORS_MAX)
      .optional(),
  })
  .meta({
    id: 'Problem',
    description: 'A refusal (RFC 9457). `type` never changes its meaning; `title` may be reworded.',
  })

/** A refusal the caller can act on. Anything else that is thrown is a bug and becomes a bare 500. */
export class Problem extends Error {
  readonly key: ProblemKey
  readonly status: number
  readonly detail: string | undefined
  readonly errors: readonly ProblemError[] | undefined
  readonly members: Readonly<Record<string, unknown>> | undefined
  readonly headers: Readonly<Record<string, string>> | undefined

  constructor(key: ProblemKey, options: ProblemOptions = {}) {
    super(options.detail ?? problems[key].title, options.cause === undefined ? undefined : { cause: options.cause })
    this.name = 'Problem'
    this.key = key
    this.status = problems[key].status
    this.detail = options.detail
    this.errors = options.errors
    this.members = options.members
    this.headers = options.headers
  }

  /** The body of the answer. `errors` is capped at 100 entries; a caller mends those first. */
  toJSON(): Record<string, unknown> {
    return {
      ...this.members,
      type: problemType(this.key),
      title: problems[this.key].title,
      status: this.status,
      ...(this.detail === undefined ? {} : { detail: this.detail }),
      ...(this.errors === undefined ? {} : { errors: this.errors.slice(0, ERRORS_MAX).map(writeError) }),
    }
  }
}

/** The most common refusal: one field of the body, by its RFC 6901 pointer. */
export function fieldInvalid(pointer: string, detail: string, code = 'field-invalid'): Problem {
  return new Problem('field-invalid', { errors: [{ pointer, detail, code }] })
}

/** @throws Problem `field-invalid` where a text that must say something is blank */
export function requireText(text: string, pointer: string): void {
  if (text.trim() === '') throw fieldInvalid(pointer, 'must say something')
}

/** The refusal of a field of the body that names something which is not there. */
export function unknownReference(pointer: string, detail: string): Problem {
  return new Problem('reference-unknown', { errors: [{ pointer, detail, code: 'reference-unknown' }] })
}

/** One token of an RFC 6901 pointer: `~` and `/` escaped. */
export function pointerToken(token: string | number): string {
  return String(token).replaceAll('~', '~0').replaceAll('/', '~1')
}

/** The RFC 6901 pointer of a path of member names and indexes; the document itself is ''. */
export function pointerOf(path: readonly (string | number)[]): string {
  return path.map((token) => `/${pointerToken(token)}`).join('')
}

function writeError(error: ProblemError): Record<string, string> {
  return {
    pointer: pointerFragment(error.pointer),
    detail: error.detail,
    code: error.code ?? 'field-invalid',
    in: error.in ?? 'body',
  }
}

/** RFC 6901 section 6: the pointer percent-encoded behind '#', with the characters a fragment may hold left alone. */
export function pointerFragment(pointer: string): string {
  return `#${encodeURI(pointer.replace(/\p{Cs}/gu, '\uFFFD'))
    .replaceAll('#', '%23')
    .replaceAll('[', '%5B')
    .replaceAll(']', '%5D')}`
}
