import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { FindingWire } from '../plans/findings.ts'
import { RevisionNumberWire } from '../plans/words.ts'
import { findingChanges } from './compare-findings.ts'
import { ChangeWire, RevisionDiffWire } from './diff-words.ts'
import { LARGE_CHANGE_PERCENT } from './large-changes.ts'

const ComparedFindingWire = z
  .strictObject({
    change: z
      .enum(findingChanges)
      .describe('new: only the revision reviewed has it; gone: only the other; other: its numbers or interval differ'),
    before: FindingWire.nullable().describe('Of the revision compared with'),
    after: FindingWire.nullable().describe('Of the revision reviewed'),
  })
  .meta({ id: 'ComparedFinding' })

const ReachedStationWire = z
  .strictObject({
    station: KeyWire,
    site: KeyWire,
    instrument: KeyWire.nullable().describe('Which stands there now'),
    revision: RevisionNumberWire.nullable().describe('Of this plan, keyed into the instrument now; null: none'),
    programming: KeyWire.nullable(),
    toProgram: z.boolean().describe('The instrument keeps programs, and this revision is not keyed into it'),
    lastUploadAt: InstantWire.nullable().describe('When it last sent anything; null: not in the last 31 days'),
  })
  .meta({ id: 'ReachedStation' })

/** Why a limit moves far. */
export const LimitReasonWire = z
  .strictObject({
    path: z.string().min(1).max(500).describe('Of the change, as `reasonNeededFor` names it'),
    reason: TextWire(1000),
  })
  .meta({ id: 'LimitReason' })
export type LimitReason = z.infer<typeof LimitReasonWire>

/** What submits a revision: nothing but the reasons has to be said. */
export const RevisionSubmissionWire = z
  .strictObject({
    digest: DigestWire.nullish().describe('Of the content meant; held to it where it is given'),
    limitReasons: z
      .array(LimitReasonWire)
      .max(1_000)
      .nullish()
      .describe('For each limit that the review says needs one'),
  })
  .nullish()
  .meta({ id: 'RevisionSubmission' })
export type RevisionSubmission = z.infer<typeof RevisionSubmissionWire>

/** Everything that the signer of a revision should have seen. */
export const RevisionReviewWire = z
  .strictObject({
    plan: KeyWire,
    revision: RevisionNumberWire,
    digest: DigestWire,
    against: RevisionNumberWire.nullable().describe('Compared with; null: there is none approved before it'),
    rulesVersion: z.int().describe('By which both were checked for this answer'),
    diff: RevisionDiffWire.nullable(),
    findings: z
      .array(ComparedFindingWire)
      .describe('Of both side by side: new ones first, blocking ones first among each'),
    findingsLeftOut: z.int().describe('How many more there are, further down in the same order'),
    reach: z
      .strictObject({
        stations: z.array(ReachedStationWire).describe('Where the plan is used, or could be from the approval on'),
        stationCount: z.int(),
        assignmentCount: z
          .int()
          .describe('Stations that hold another revision of the plan now, and whose assignment would change'),
        toProgramCount: z.int(),
        unseenCount: z.int().describe('Stations that sent nothing since this revision was submitted, or for 31 days'),
      })
      .meta({ id: 'RevisionReach' }),
    reasonNeededFor: z
      .array(ChangeWire)
      .describe(
        `Limits that move by more than ${LARGE_CHANGE_PERCENT} %, or are taken away; each needs a reason in the submission`,
      ),
    limitReasons: z.array(LimitReasonWire).describe('As its submission stated them'),
    changeReason: z.string().nullable(),
    cautions: z.array(z.string()),
  })
  .meta({ id: 'RevisionReview' })
export type RevisionReview = z.infer<typeof RevisionReviewWire>
