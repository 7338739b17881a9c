import { type Narrator, narratorTo } from './narrator.ts'
import { changeRevision, tightenRule } from './scene-changes.ts'
import { bringIntoForce } from './scene-plan.ts'
import { setUpPlant } from './scene-plant.ts'
import { publishRules } from './scene-rules.ts'
import { askRelease } from './scene-shipping.ts'
import { testUnits } from './scene-testing.ts'
import { readDraft } from './seed.ts'
import type { Shift } from './shift.ts'
import { newBench, type Stage } from './stage.ts'
import { Tally, type Totals } from './tally.ts'

export interface Told {
  readonly totals: Totals
  readonly stage: Stage
}

/** The whole shift over HTTP, up to its last half hour. Throws `NotAsTold` with the first outcome that is another than the one told. */
export async function tellStory(options: {
  readonly url: string
  readonly administratorToken: string
  readonly shift: Shift
  readonly write: (line: string) => void
}): Promise<Told> {
  const { url, administratorToken, shift } = options
  const tell = narratorTo(options.write, shift)
  open(tell)
  const cast = await setUpPlant({ url, administratorToken, shift, tell })
  const stage: Stage = { shift, tell, cast, tally: new Tally(), bench: newBench(), toldBefore: new Set() }
  await publishRules(stage)
  await bringIntoForce(stage)
  await testUnits(stage)
  const eighth = await changeRevision(stage, await readDraft('plan-ex36-final-7'))
  await tightenRule(stage, eighth)
  await askRelease(stage)
  const totals = stage.tally.totals()
  close(tell, totals)
  return { totals, stage }
}

function open(tell: Narrator): void {
  tell.say('Limitkeep: one shift at Aldermoor Works, an invented maker of dust extractors and bench centrifuges.')
  tell.say('')
  tell.say('CAUTION. Products, rules and limits here are invented: they are not limits for a real product.')
  tell.say('High voltage can kill. Local codes and licensed practice govern; only trained persons test.')
  tell.say('')
  tell.say('The times at the left are hours and minutes of the shift, which began six hours ago by a scripted clock.')
}

function close(tell: Narrator, totals: Totals): void {
  const { accepted, pass, fail, invalid, held, rejected, stale } = totals
  tell.scene('What the shift came to')
  tell.gets(
    `Uploads accepted: ${accepted} (pass ${pass}, fail ${fail}, invalid ${invalid}); held: ${held}; rejected: ${rejected}, of them stale: ${stale}.`,
  )
  tell.gets(
    `Repeats that got their first answer: ${totals.duplicateAnswers}; keys used for other content: ${totals.conflicts}; revisions blocked: ${totals.blockedRevisions}.`,
  )
  tell.gets(`Units asked about: ${totals.releasable} may ship, ${totals.notReleasable} may not.`)
}
