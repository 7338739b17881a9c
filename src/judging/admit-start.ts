import { writeInstant } from '../exact/time.ts'
import type { Calibration } from '../stations/calibration.ts'
import { holds } from '../stations/instrument-assignment.ts'
import type { Support } from '../stations/support.ts'
import type { Facts, RevisionFact } from './facts.ts'
import { type PermitFact, permitsAt } from './permits.ts'
import { kindsOf, type RunWorth, supportOfRun, UNDOUBTED, withRevision } from './run-support.ts'
import type { CodeFound, Upload, UploadCode } from './words.ts'

/** What the cited revision was at an instant. */
type RevisionAt = 'in-force' | 'revision-not-yet-in-force' | 'revision-stale' | 'product-plan-mismatch'

/** What one start finds. */
export interface StartState {
  readonly at: number
  readonly revision: RevisionAt
  /** The block that holds the start, by its own beginning; undefined where none does, or no check is there to say. */
  readonly block: { readonly from: number; readonly causes: readonly string[] } | undefined
  /** Those that the run may use. */
  readonly permits: readonly PermitFact[]
  /** Undefined where station or instrument is unknown, so that nothing can be asked. */
  readonly support: Support | undefined
}

/** Asks the facts about one start. */
export function stateAt(upload: Upload, facts: Facts, revision: RevisionFact | null, at: number): StartState {
  return {
    at,
    revision: revision === null ? 'in-force' : revisionAt(revision, upload.variant ?? '', at),
    block: revision?.check?.blocks.find((block) => holds(block, at)),
    permits: revision === null ? [] : permitsAt(revision.permits, upload.variant ?? '', at),
    support: supportOfRun(upload, facts, { at, kinds: revision === null ? [] : kindsOf(revision.content) }),
  }
}

/**
 * In force is half-open: the change instant belongs to the new revision. A row that a withdrawal emptied before it
 * began is stale whenever it is asked.
 */
function revisionAt(revision: RevisionFact, variant: string, at: number): RevisionAt {
  if (revision.approvedAt === null) return 'revision-not-yet-in-force'
  const row = revision.inForce.find((one) => one.variant === variant)
  if (row === undefined) return 'product-plan-mismatch'
  if (holds(row, at)) return 'in-force'
  const isEmptied = row.until !== null && row.until <= row.from
  return at < row.from && !isEmptied ? 'revision-not-yet-in-force' : 'revision-stale'
}

export interface StartAnswer {
  readonly codes: readonly CodeFound[]
  readonly calibration: Calibration | undefined
  readonly worth: RunWorth
  readonly permits: readonly PermitFact[]
}

/**
 * The codes of a trusted start. Where the start was corrected, both instants must find the same; what they find
 * differently is no reason to refuse, but the run is held as `start-uncertain`. Besides revision, block and calibration
 * (promise 2) that is asked of instrument and programming too: which of the two instants is right is not known for them
 * either.
 */
export function answerStart(
  upload: Upload,
  revision: RevisionFact | null,
  used: StartState,
  other: StartState | undefined,
): StartAnswer {
  const codes: CodeFound[] = []
  const uncertain = new Set<string>()
  if (other !== undefined && other.revision !== used.revision) uncertain.add('revision')
  else if (used.revision !== 'in-force' && revision !== null) {
    codes.push({ code: used.revision, facts: revisionFacts(upload, revision, used) })
  }
  const isInForce = used.revision === 'in-force' || other?.revision === 'in-force'
  if (isInForce && other !== undefined && other.block?.from !== used.block?.from) uncertain.add('block')
  else if (isInForce && used.block !== undefined) {
    const { from, causes } = used.block
    codes.push({
      code: 'revision-blocked',
      facts: { ...cited(upload), blockedFrom: writeInstant(from), causes: causes.join(', ') },
    })
  }
  if (other !== undefined && namesOf(other.permits) !== namesOf(used.permits)) uncertain.add('permit')
  const { support } = used
  if (support === undefined) {
    const facts = { station: upload.station, instrument: upload.instrument }
    codes.push({ code: 'instrument-mismatch', facts })
  } else {
    for (const reason of support.missing) {
      if (other?.support === undefined || lacks(other.support, reason.code)) codes.push(reason)
      else uncertain.add(aspects[reason.code])
    }
    for (const reason of other?.support?.missing ?? []) {
      if (!lacks(support, reason.code)) uncertain.add(aspects[reason.code])
    }
    const otherSupport = other?.support
    if (otherSupport !== undefined && otherSupport.calibration?.calibration !== support.calibration?.calibration) {
      uncertain.add('calibration')
    }
  }
  if (other !== undefined && uncertain.size > 0) {
    codes.push({
      code: 'start-uncertain',
      facts: {
        about: [...uncertain].join(', '),
        startedAt: writeInstant(other.at),
        startedAtCorrected: writeInstant(used.at),
      },
    })
  }
  const worth = withRevision(support ?? UNDOUBTED, revision, used.at)
  return { codes, calibration: support?.calibration, worth, permits: used.permits }
}

function namesOf(permits: readonly PermitFact[]): string {
  return permits.map(({ permit }) => permit).join(' ')
}

const aspects = {
  'instrument-mismatch': 'instrument',
  'calibration-expired': 'calibration',
  'programming-not-current': 'programming',
  'check-missing': 'check',
  'station-locked': 'check',
} as const satisfies Partial<Record<UploadCode, string>>

function lacks(support: Support, code: UploadCode): boolean {
  return support.missing.some((reason) => reason.code === code)
}

function cited({ plan, revision }: Upload): Record<string, string> {
  return { plan, revision: String(revision) }
}

function revisionFacts(upload: Upload, revision: RevisionFact, { at }: StartState): Record<string, string> {
  const facts: Record<string, string> = { ...cited(upload), start: writeInstant(at) }
  const row = revision.inForce.find((one) => one.variant === (upload.variant ?? ''))
  if (upload.variant !== undefined) facts['variant'] = upload.variant
  if (row === undefined) return facts
  facts['inForceFrom'] = writeInstant(row.from)
  if (row.until !== null) facts['inForceUntil'] = writeInstant(row.until)
  return facts
}
