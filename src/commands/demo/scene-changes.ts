import { setTimeout as wait } from 'node:timers/promises'
import { z } from 'zod'
import { writeInstant } from '../../exact/time.ts'
import { type Impact, ImpactWire } from '../../impact/words.ts'
import { FindingWire } from '../../plans/findings.ts'
import { BlockWire, PlanWire, RevisionWire } from '../../plans/record.ts'
import { PageWire } from '../../platform/http/conventions.ts'
import type { Edition } from '../../rules/record.ts'
import { withBreakOff } from './bench.ts'
import { expectAnswer, insist } from './client.ts'
import { type Approved, approveDraft, programmingOf, readBack } from './scene-plan.ts'
import { BINDS_BECAUSE, publishEdition, writeEdition } from './scene-rules.ts'
import { unit } from './scene-testing.ts'
import { type Draft, readDraft, reviseDraft } from './seed.ts'
import { sendRun } from './sending.ts'
import { askAssignment, type Stage, testUnit } from './stage.ts'

/** A new revision comes into force, and the station has not heard of it. */
export async function changeRevision(stage: Stage, seventh: Draft): Promise<Draft> {
  const { shift, tell } = stage
  shift.until(150)
  tell.scene('A new revision comes into force; a test under the old one does not count')
  const late = testUnit(stage, unit('EX36-26-004423'))
  tell.does('EX36-26-004423 is tested under revision 7. The network is down, so the run waits at the station.')
  shift.until(160)
  tell.does('Ruth Hartley submits revision 8, with 0.60 mA instead of 0.75 mA for the touch current.')
  const eighth = reviseDraft(seventh, {
    revision: 8,
    changeReason: 'touch current limit tightened after complaints',
    steps: { touch: { limitUpper: { value: '0.60', unit: 'mA', inclusive: true } } },
  })
  const approved = await approveDraft(stage, eighth)

  shift.until(170)
  tell.does('The network is back. The run from before the change arrives late, which does no harm.')
  await sendRun(stage, late, { status: 201, verdict: 'pass' })
  const stale = testUnit(stage, unit('EX36-26-004424'))
  tell.does('EX36-26-004424 is tested by the old sheet, after the change.')
  await sendRun(stage, stale, { status: 422, code: 'revision-stale' })

  shift.until(180)
  await program(stage, approved, 'PG-0193')
  tell.does('EX36-26-004424 is tested again, and so is EX36-26-004418, whose filter was replaced.')
  await sendRun(stage, testUnit(stage, unit('EX36-26-004424')), { status: 201, verdict: 'pass' })
  const reworked = testUnit(stage, { ...unit('EX36-26-004418'), attemptCause: 'after-rework' })
  await sendRun(stage, reworked, { status: 201, verdict: 'pass' })
  return eighth
}

/** A rule is tightened mid-shift: plans are checked again, what fails is blocked, and a conforming revision follows. */
export async function tightenRule(stage: Stage, eighth: Draft): Promise<Approved> {
  const { shift, tell } = stage
  shift.until(210)
  tell.scene('A rule is tightened: plans that no longer meet it are blocked at once')
  tell.does('Ruth Hartley writes edition 4 of extractor-strength: 1250 V instead of 1200 V in the one-second test.')
  const written = await writeEdition(stage, await readDraft('rule-extractor-strength-4'))
  tell.does('She asks what it would do, before anybody signs.')
  const impact = await askImpact(stage, written)
  insist(impact.runsAffected !== null, 'the stored runs were gone through', impact)
  tell.gets(
    `It would block ${counted(impact.revisionsBlocked, 'revision')} and end ${counted(impact.permitsBeyond, 'permit')}; ` +
      `${counted(impact.revisionsUncheckable, 'plan')} could not be checked, and ${counted(impact.runsAffected, 'stored run')} would not have passed.`,
  )
  tell.does('Daniel Amis reads the figures, and publishes the edition.')
  const edition = await publishEdition(stage, written)
  insist(edition.impact?.current === true, 'the publication repeats the figures', edition)
  insist(edition.rulesVersion !== null, 'a published edition has its rules version', edition)
  await showPlans(stage, edition.rulesVersion)

  shift.until(215)
  tell.does('The station asks before the next unit.')
  const assignment = await askAssignment(stage)
  const [reason] = assignment.reasons
  insist(!assignment.mayTest && reason?.code === 'revision-blocked', 'the station may not test', assignment)
  tell.gets(`mayTest false, ${reason.code}: ${reason.action}`)
  tell.does(
    'Two units were being tested as the rule changed. EX36-26-004425 is good; EX36-26-004426 broke down at 990 V.',
  )
  const blocked = { status: 422, code: 'revision-blocked' } as const
  await sendRun(stage, testUnit(stage, unit('EX36-26-004425')), blocked)
  const place = { step: 'strength', measurement: 'live-to-earth' }
  const broken = withBreakOff(testUnit(stage, unit('EX36-26-004426')), place, {
    termination: 'breakdown',
    testVoltage: '990',
  })
  await sendRun(stage, broken, blocked)

  shift.until(250)
  tell.does('Ruth Hartley submits revision 9: 1300 V, of which no less than 1250 V is accepted.')
  const ninth = reviseDraft(eighth, {
    revision: 9,
    changeReason: 'strength raised for extractor-strength/4',
    steps: { strength: { testVoltage: { set: '1300', least: '1250', most: '1339', unit: 'V' } } },
  })
  const approved = await approveDraft(stage, ninth)
  shift.until(260)
  await program(stage, approved, 'PG-0194')
  tell.does('Both units are tested again under revision 9.')
  await sendRun(stage, testUnit(stage, unit('EX36-26-004425')), { status: 201, verdict: 'pass' })
  await sendRun(stage, testUnit(stage, unit('EX36-26-004426')), { status: 201, verdict: 'pass' })
  return approved
}

/** Keys a revision in, has it read back, and lets the station ask again. */
async function program(stage: Stage, approved: Approved, programming: string): Promise<void> {
  const { shift, tell, cast } = stage
  tell.does(`Tom Sedgwick keys revision ${approved.revision} into programs 3 and 4.`)
  await readBack(stage, cast.operator, programmingOf(approved, programming, writeInstant(shift.now())))
  const assignment = await askAssignment(stage)
  insist(assignment.mayTest && assignment.revision === approved.revision, 'the station may test again', assignment)
  tell.gets(`The station asks and is told: revision ${assignment.revision}, programming ${assignment.programming}.`)
}

const PlanPage = PageWire(PlanWire)
const FindingPage = z.looseObject(PageWire(FindingWire).shape)
const BlockPage = PageWire(BlockWire)
const CHECK_TIME_MAX_MS = 20_000
const LOOK_EVERY_MS = 50

/** What publishing an edition would do, when all is gone through. */
async function askImpact({ cast }: Stage, { table, edition }: Edition): Promise<Impact> {
  const path = `/v1/rule-tables/${table}/editions/${edition}/impact`
  const asked = expectAnswer(await cast.engineer.post(path, { bindsBecause: BINDS_BECAUSE }), 201, ImpactWire)
  const began = Date.now()
  while (Date.now() - began < CHECK_TIME_MAX_MS) {
    const impact = expectAnswer(await cast.engineer.get(`/v1/impacts/${asked.impact}`), 200, ImpactWire)
    if (impact.endedAt !== null) return impact
    await wait(LOOK_EVERY_MS)
  }
  throw new Error(`the impact of ${table}/${edition} was not worked out within ${CHECK_TIME_MAX_MS / 1_000} s`)
}

function counted(count: number, noun: string): string {
  return `${count} ${noun}${count === 1 ? '' : 's'}`
}

/** Which plans in force the tightened rule stops, and why, with numbers. */
async function showPlans(stage: Stage, rulesVersion: number): Promise<void> {
  const { cast, tell, tally } = stage
  const { items: plans } = expectAnswer(await cast.manager.get('/v1/plans'), 200, PlanPage)
  for (const { plan, revisionsInForce } of plans) {
    for (const revision of revisionsInForce) {
      const path = `/v1/plans/${plan}/revisions/${revision}`
      const checked = await untilChecked(stage, path, rulesVersion)
      const { items: blocks } = expectAnswer(await cast.manager.get(`${path}/blocks`), 200, BlockPage)
      if (blocks.length === 0) {
        insist(checked === 'conforms', `revision ${revision} of ${plan} conforms`, checked)
        tell.gets(`Revision ${revision} of ${plan} was checked again: conforms, and stays in use.`)
        continue
      }
      tally.countBlockedRevision()
      tell.gets(`Revision ${revision} of ${plan} was checked again: blocked.`)
      const findings = expectAnswer(await cast.manager.get(`${path}/findings`), 200, FindingPage)
      for (const finding of findings.items) {
        if (finding.severity === 'blocking') tell.detail(findingText(finding))
      }
    }
  }
}

/** The verdict of the check by the rules of this version; the service checks by itself after each publication. */
async function untilChecked({ cast }: Stage, path: string, rulesVersion: number): Promise<string> {
  const began = Date.now()
  while (Date.now() - began < CHECK_TIME_MAX_MS) {
    const { check } = expectAnswer(await cast.manager.get(path), 200, RevisionWire)
    if (check !== null && check.rulesVersion >= rulesVersion) return check.verdict
    await wait(LOOK_EVERY_MS)
  }
  throw new Error(`${path} was not checked again within ${CHECK_TIME_MAX_MS / 1_000} s`)
}

function findingText(finding: z.infer<typeof FindingWire>): string {
  const { table, edition, row, variant, step, parameter, relation, demanded, accepted, margin } = finding
  const where = [variant, step].filter((part) => part !== null).join(' ')
  return (
    `${where}: ${table}/${edition} row ${row} demands ${parameter} ${relation} ${amountText(demanded)}; ` +
    `the plan accepts ${amountText(accepted)}${margin === null ? '' : ` (${margin.value} ${margin.unit})`}`
  )
}

function amountText(amount: z.infer<typeof FindingWire>['demanded']): string {
  if (amount === null || typeof amount === 'boolean') return String(amount)
  if (Array.isArray(amount)) return amount.join(', ')
  if ('value' in amount) return `${amount.value} ${amount.unit}`
  const ends = [amount.least ?? amount.above, amount.most ?? amount.below]
  return `${ends.map((end) => end ?? '').join(' to ')} ${amount.unit}`.trim()
}
