import { writeInstant } from '../../exact/time.ts'
import { ApprovedRevisionWire, RevisionWire } from '../../plans/record.ts'
import { SetupSheetWire } from '../../stations/setup-sheet-words.ts'
import { ProgrammingWire } from '../../stations/words.ts'
import { INSTRUMENT, OPERATOR, STATION, TECHNICIAN } from './bench.ts'
import { type Caller, expectAnswer, insist } from './client.ts'
import { RefusalWire } from './scene-plant.ts'
import { type Draft, readDraft } from './seed.ts'
import { askAssignment, refusalText, type Stage } from './stage.ts'

export type Approved = ReturnType<typeof ApprovedRevisionWire.parse>

/** A plan is written, checked, approved by a second person, keyed into the tester and read back. */
export async function bringIntoForce(stage: Stage): Promise<Approved> {
  const { cast, shift, tell } = stage
  shift.until(40)
  tell.scene('The test plan: checked by the rules, approved, keyed in and read back')
  const draft = await readDraft('plan-ex36-final-7')
  tell.does(
    'Ruth Hartley writes and submits revision 7 of ex36-final: bond, electric strength, insulation, touch current.',
  )
  const approved = await approveDraft(stage, draft)
  tell.does('She does the same for bc12-final, revision 1, the final test of the bench centrifuge.')
  await approveDraft(stage, await readDraft('plan-bc12-final-1'))

  shift.until(55)
  tell.does('Tom Sedgwick asks for the setup sheet of ex36-final for station LDS-F2 and keys it into the tester.')
  const path = `/v1/plans/ex36-final/revisions/7/setup-sheet?station=${STATION}`
  printSheet(stage, expectAnswer(await cast.technician.get(path), 200, SetupSheetWire))
  const programming = programmingOf(approved, 'PG-0192', writeInstant(shift.now()))
  tell.does('He tries to record that he read it back himself.')
  const alone = { ...programming, readBackBy: TECHNICIAN }
  const refused = await cast.technician.post('/v1/programmings', alone)
  const { type } = expectAnswer(refused, 403, RefusalWire)
  insist(type.endsWith(':two-people-required'), 'nobody reads back what they keyed', refused.body)
  tell.gets(refusalText(refused))
  await readBack(stage, cast.operator, programming)

  shift.until(65)
  stage.bench.leadOffsetAt = shift.now()
  tell.does('The leads are measured: 21.0 mOhm. The station asks what to test EX36-3M with.')
  const assignment = await askAssignment(stage)
  insist(assignment.mayTest, 'the station may test', assignment)
  tell.gets(`mayTest: revision ${assignment.revision} of ${assignment.plan}, programming ${assignment.programming}.`)
  return approved
}

/** Writes a revision, submits it, shows what its check found, and has it approved from at once on. */
export async function approveDraft({ cast, tell }: Stage, draft: Draft): Promise<Approved> {
  const plan = String(draft.content['plan'])
  const revisions = `/v1/plans/${plan}/revisions`
  const written = expectAnswer(await cast.engineer.post(revisions, draft), 201, RevisionWire)
  const { revision, digest } = written
  const path = `${revisions}/${revision}`
  const submitted = expectAnswer(await cast.engineer.post(`${path}/submission`, { digest }), 200, RevisionWire)
  insist(submitted.check?.verdict === 'conforms', `revision ${revision} of ${plan} conforms`, submitted.check)
  const { editions, warningCount } = submitted.check
  tell.gets(`Checked with ${editions.join(', ')}: conforms${warningCount === 0 ? '' : `, ${warningCount} warnings`}.`)
  const approval = { digest, inForceFrom: 'at-once', meaning: 'Checked against product and rules, approved' }
  const approved = expectAnswer(await cast.manager.sign(`${path}/approval`, approval), 200, ApprovedRevisionWire)
  tell.gets(
    `Daniel Amis approves exactly this content. Revision ${revision} of ${plan} is in force. ${digest.slice(0, 19)}...`,
  )
  return approved
}

/** What is recorded when a sheet was keyed into programs 3 and 4, which together hold its eight tester steps. */
export function programmingOf({ plan, revision, digest }: Approved, programming: string, at: string) {
  return {
    programming,
    station: STATION,
    instrument: INSTRUMENT,
    programs: ['3', '4'],
    plan,
    revision,
    revisionDigest: digest,
    keyedBy: TECHNICIAN,
    readBackBy: OPERATOR,
    at,
  }
}

export async function readBack({ tell }: Stage, by: Caller, draft: ReturnType<typeof programmingOf>): Promise<void> {
  const recorded = expectAnswer(await by.post('/v1/programmings', draft), 201, ProgrammingWire)
  tell.gets(
    `Mina Farrow reads it back and records it: ${recorded.programming}, programs ${recorded.programs.join(' and ')}, revision ${recorded.revision}.`,
  )
}

function printSheet({ tell }: Stage, sheet: ReturnType<typeof SetupSheetWire.parse>): void {
  tell.gets(`Sheet for revision ${sheet.revision}, ${sheet.programs.length} programs:`)
  for (const [index, { testerSteps }] of sheet.programs.entries()) {
    for (const { testerStep, step, connection, settings } of testerSteps) {
      const [first] = settings
      tell.detail(
        `program ${index + 1} step ${testerStep}  ${step}: ${connection.text}${first === undefined ? '' : `; ${first.text}`}`,
      )
    }
  }
  tell.gets('Cautions on the sheet:')
  for (const caution of [...sheet.cautions, sheet.governing]) tell.detail(`! ${caution}`)
}
