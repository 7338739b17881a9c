import type { Line } from './drive.ts'
import type { Cited, Place } from './place.ts'

const two = { limit: 2 }

/** Leave given beforehand, and leave given afterwards; each by two people. */
export async function giveLeave(place: Place, line: Line, cited: Cited, failed: string) {
  const { author, approver, signed } = line
  const content = {
    permit: 'DP-17',
    plan: cited.plan,
    revision: cited.revision,
    revisionDigest: cited.revisionDigest,
    step: 'strength',
    limitUpper: { value: '3.4', unit: 'mA' },
    variants: ['EX36-5M'],
    quantity: 50,
    validUntil: new Date(place.now() + 30 * 86_400_000).toISOString(),
    reason: 'filter capacitors of lot L-9 are at their upper tolerance',
  }
  const { permit, digest } = (await author.requestPermit({ content })).data
  const leave = { digest, validFrom: 'at-once', meaning: 'agreed with the type file' }
  await approver.approvePermit(permit, leave, signed())
  await author.listPermits({ plan: cited.plan, ...two })
  const state = (await author.getPermit(permit)).data.state
  await author.withdrawPermit(permit, { reason: 'the lot is used up' })

  const asked = {
    concession: 'CN-104',
    runId: failed,
    reference: 'CN-104 of the customer',
    reason: 'agreed for one unit',
  }
  const { site, concession, digest: numbers } = (await author.requestConcession(asked)).data
  await approver.approveConcession(site, concession, { digest: numbers, meaning: 'agreed with the customer' }, signed())
  await author.listConcessions(two)
  const { approvedBy } = (await author.getConcession(site, concession)).data
  return { state, approvedBy }
}
