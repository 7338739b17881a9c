import type { Line } from './drive.ts'
import type { Place } from './place.ts'

const STATION = 'LDS-F2'
const INSTRUMENT = 'INS-0031'
const KIND = 'electric-strength-ac' as const
const two = { limit: 2 }

/** Reference units and a check plan by two people; a good check, and one in which the fault passes. */
export async function checkStation(place: Place, line: Line) {
  const { author, operator, approver, signed } = line
  for (const [referenceUnit, name, expected] of [
    ['REF-0001', 'Extractor, sound in every test', 'pass'],
    ['REF-0002', 'Dummy that breaks down at 900 V', 'fail'],
  ] as const) {
    const draft = { referenceUnit, name, shows: [{ kind: KIND, expected }] }
    const { digest } = (await author.createReferenceUnit(draft)).data
    const signature = { digest, meaning: 'measured in the laboratory' }
    await approver.confirmReferenceUnit(referenceUnit, signature, signed())
  }
  await author.listReferenceUnits(two)
  await author.getReferenceUnit('REF-0002')
  const draft = { checkPlan: 1, kinds: [KIND], validFor: { value: '12', unit: 'h' as const } }
  const { digest } = (await author.createCheckPlan(STATION, draft)).data
  const signature = { digest, effectiveFrom: 'at-once', meaning: 'as the house rule asks' }
  await approver.confirmCheckPlan(STATION, 1, signature, signed())
  await author.listCheckPlans(STATION, two)
  await author.getCheckPlan(STATION, 1)
  const says: string[] = []
  for (const [stationCheck, found] of [
    ['SC-0611', 'fail'],
    ['SC-0612', 'pass'],
  ] as const) {
    place.pass(60)
    const results = [
      { referenceUnit: 'REF-0001', kind: KIND, found: 'pass' as const },
      { referenceUnit: 'REF-0002', kind: KIND, found },
    ]
    const at = new Date(place.now()).toISOString()
    const check = { stationCheck, station: STATION, instrument: INSTRUMENT, at, results }
    says.push(...(await operator.recordStationCheck(check)).data.says.map((one) => one.says))
  }
  await author.listStationChecks({ station: STATION, ...two })
  await author.getStationCheck('SC-0612')
  const { counts } = (await author.listAffectedRuns('SC-0612', two)).data
  await author.withdrawReferenceUnit('REF-0001', { reason: 'its cord was torn off' })
  return { says, affected: counts.runs }
}
