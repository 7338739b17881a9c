import { writeInstant } from '../exact/time.ts'
import { Problem } from '../platform/problems.ts'
import type { Answer } from './answer-words.ts'
import { type BatchReason, batchReasons } from './batch-words.ts'
import { statusOf } from './rows.ts'
import type { LineFault } from './stored.ts'

/** The refusals of an upload, the same for one alone and for a line of a batch. */

/** A revision that is in force now, for one of the variants it covers. */
export interface InForceNow {
  readonly variant: string
  readonly plan: string
  readonly revision: number
  readonly revisionDigest: string
}

/** Codes of a refusal that another revision would mend: the answer then names the one in force. */
const REVISION_CODES: ReadonlySet<string> = new Set([
  'revision-stale',
  'revision-not-yet-in-force',
  'revision-blocked',
  'revision-unknown',
  'digest-mismatch',
])

/** The plan of which a refused upload should have cited another revision; undefined where that would not mend it. */
export function planToName(answer: Answer): string | undefined {
  return answer.codes.find(({ code }) => REVISION_CODES.has(code))?.facts['plan']
}

export function rejectedProblem(answer: Answer, inForce: readonly InForceNow[] | undefined): Problem {
  return new Problem('upload-rejected', {
    detail: answer.action,
    members: { ...answer, ...(inForce === undefined ? {} : { inForce }) },
  })
}

export function conflictProblem(
  contentDigest: string | null,
  first: {
    readonly uploadKey: string
    readonly uploadId: string
    readonly digest: string
    readonly receivedAt: number
  },
): Problem {
  return new Problem('upload-key-reused', {
    detail:
      'The first upload under this key stays; this one is kept beside it. Send different content under a new key.',
    members: {
      uploadKey: first.uploadKey,
      contentDigest,
      first: {
        runId: first.uploadId,
        contentDigest: first.digest,
        receivedAt: writeInstant(first.receivedAt),
      },
    },
  })
}

/** Bytes that are no JSON object, or of which only the beginning was kept. */
export function unreadableProblem({ code, offset, message, length, digest }: LineFault, runId: string): Problem {
  if (length !== undefined) {
    return new Problem('body-too-large', {
      detail: `${message} The beginning is kept as upload ${runId}.`,
      members: { code, length, digest, runId },
    })
  }
  return new Problem('body-not-json', {
    detail: `${message} (byte ${offset}). The bytes are kept as upload ${runId}.`,
    members: { code, offset, runId },
  })
}

export function failedProblem(runId: string): Problem {
  return new Problem('unexpected', { detail: `The bytes are kept as upload ${runId}.`, members: { runId } })
}

/** The last line of the answer to a batch of which not all was taken. */
export function incompleteProblem(
  batchId: string,
  end: { readonly reason: BatchReason; readonly detail: string | null; readonly lines: number } | undefined,
): Problem {
  const detail =
    end === undefined
      ? 'The batch is still coming in, or the service died under it.'
      : [batchReasons[end.reason], end.detail].filter((part) => part !== null).join(' ')
  return new Problem('batch-incomplete', {
    detail,
    members: { batchId, reason: end?.reason ?? null, lines: end?.lines ?? null },
  })
}

/** One line of the answer to a batch: the run answer, or the problem that the upload alone would have been answered. */
export function writeLine(
  line: number,
  said: { readonly answer: Answer; readonly inForce: readonly InForceNow[] | undefined } | Problem,
): Record<string, unknown> {
  if (said instanceof Problem) return { line, ...said.toJSON() }
  const status = statusOf(said.answer.outcome)
  return status === 422
    ? { line, ...rejectedProblem(said.answer, said.inForce).toJSON() }
    : { line, status, ...said.answer }
}
