import type { EditionDraft, PlanRevisionDraft, ProductVersionDraft } from './api.ts'
import type { Line } from './drive.ts'
import type { Place } from './place.ts'

const PLAN = 'ex36-final'
const PRODUCT = 'EX36'
const TABLE = 'extractor-strength'
const DAY_S = 86_400
const two = { limit: 2 }

/**
 * Changes on a date: sent back in review, signed for a day to come, looked at beforehand, and taken back in time; and a
 * block that was begun by a rule since loosened, lifted by who wrote nothing of it.
 */
export async function changeOnADate(place: Place, line: Line) {
  const { author, approver, station, signed } = line
  const inDays = (days: number) => new Date(place.now() + days * DAY_S * 1_000).toISOString()
  const meaning = 'Read and signed'

  const version = place.seed<ProductVersionDraft>('product-ex36-3')
  const writeVersion = async (number: number) => {
    const draft = { content: { ...version.content, version: number }, changeReason: 'another motor' }
    const { digest } = (await author.createVersion(PRODUCT, draft)).data
    await author.submitVersion(PRODUCT, number, { digest })
    return digest
  }
  await approver.rejectVersion(PRODUCT, 4, { digest: await writeVersion(4), reason: 'the drawing is not released yet' })
  const confirmation = { digest: await writeVersion(5), meaning, effectiveFrom: inDays(12) }
  await approver.confirmVersion(PRODUCT, 5, confirmation, signed())

  const table = place.seed<EditionDraft>('rule-extractor-strength-3')
  const writeEdition = async (number: number, voltage?: string) => {
    const rows = table.content.rows.map((row) =>
      voltage === undefined ? row : { ...row, then: [voltage, ...row.then.slice(1)] },
    )
    const draft = { content: { ...table.content, edition: number, rows }, changeReason: 'as the standard was amended' }
    const { digest } = (await author.createEdition(TABLE, draft)).data
    await author.submitEdition(TABLE, number, { digest })
    return digest
  }
  const publish = async (number: number, digest: string, effectiveFrom: string) => {
    const publication = { digest, effectiveFrom, meaning, bindsBecause: 'House rule of Aldermoor Works.' }
    await approver.publishEdition(TABLE, number, publication, signed())
    place.pass(1)
  }
  await approver.rejectEdition(TABLE, 14, { digest: await writeEdition(14), reason: 'the clause cited is another' })

  const plan = place.seed<PlanRevisionDraft>('plan-ex36-final-7')
  const writeRevision = async (number: number) => {
    const draft = { content: { ...plan.content, revision: number }, changeReason: 'gone through again' }
    const { digest } = (await author.createRevision(PLAN, draft)).data
    const { reasonNeededFor } = (await author.reviewRevision(PLAN, number, {})).data
    const limitReasons = reasonNeededFor.map(({ path }) => ({ path, reason: 'as it was before' }))
    await author.submitRevision(PLAN, number, { digest, limitReasons })
    return digest
  }
  await approver.rejectRevision(PLAN, 9, {
    digest: await writeRevision(9),
    reason: 'the dwell is that of another model',
  })
  const digest = await writeRevision(10)
  await approver.approveRevision(PLAN, 10, { digest, inForceFrom: 'at-once', meaning }, signed())
  place.pass(1)
  const eleventh = { digest: await writeRevision(11), inForceFrom: inDays(3), meaning }
  await approver.approveRevision(PLAN, 11, eleventh, signed())
  await publish(15, await writeEdition(15, '4000'), inDays(7))

  // Whoever asks what to test by has the revision checked, if the service has not come round to it.
  const what = { product: PRODUCT, variant: 'EX36-3M', operation: 'final' }
  await station.getAssignment('LDS-F2', what)
  const upcoming = (await author.readSchedule({ days: 14 })).data.items.map(({ kind }) => kind)
  await author.cancelRevision(PLAN, 11, { digest: eleventh.digest, reason: 'the tester is not there in time' })
  await author.cancelEdition(TABLE, 15, { reason: 'one voltage was copied wrongly' })
  await author.cancelVersion(PRODUCT, 5, { reason: 'the motor is not changed after all' })

  await publish(16, await writeEdition(16, '4000'), 'at-once')
  await station.getAssignment('LDS-F2', what)
  const blocked = (await author.listOpenBlocks({ product: PRODUCT, ...two })).data.items.length
  await publish(17, await writeEdition(17), 'at-once')
  const lifting = {
    meaning: 'Looked at again, fit for use',
    reason: 'edition 17 asks for what edition 3 asked for',
    revisions: [{ plan: PLAN, revision: 10, digest }],
  }
  const { revisions } = (await approver.liftBlocks(lifting, signed())).data
  await author.withdrawRevision(PLAN, 10, { digest, reason: 'the plant closes for the summer', from: inDays(1) })
  // A limit of the old revision was wrong all along: what was tested with it is in doubt, and named.
  await author.withdrawRevision(PLAN, 7, { reason: 'a limit was copied wrongly', from: inDays(-1 / 24) })
  const doubted = (await author.listRunsWithdrawn(PLAN, 7, two)).data.counts.runs
  return { upcoming, blocked, doubted, lifted: revisions.map(({ lifted }) => lifted) }
}
