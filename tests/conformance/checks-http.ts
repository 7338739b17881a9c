import { created, expected } from '../support/service.ts'
import type { House } from './http.ts'
import { CHECKED, checkResults, compareAffected, type Scene } from './scene.ts'

const MEANING = 'measured in the laboratory'

/** What a case checks of its station, and what it asks of that at the end of the day. */
export async function checksOf(
  house: House,
  scene: Scene,
): Promise<{ readonly at: number; readonly act: () => Promise<void> }[]> {
  const { checks } = scene.given
  if (checks === undefined) return []
  const { author, approver } = house
  const { station, instrument } = CHECKED
  await haveReferenceUnits(house)
  const { demand } = checks
  if (demand !== undefined) {
    const path = `/v1/stations/${station}/check-plans`
    const { items } = expected(await author.get(`${path}?limit=500`), 200).body
    const body = {
      checkPlan: items.length + 1,
      kinds: demand.kinds,
      validFor: { value: String(demand.hours), unit: 'h' },
    }
    const { digest } = created(await author.post(path, body)).body
    const effectiveFrom = new Date(scene.at(demand.from)).toISOString()
    const signed = { digest, effectiveFrom, meaning: MEANING }
    expected(await approver.sign(`${path}/${body.checkPlan}/confirmation`, signed), 200)
  }
  return checks.made.flatMap((made, index) => {
    const stationCheck = `${scene.given.case}-SC-${index + 1}`
    const record = async () => {
      const at = new Date(scene.at(made.at)).toISOString()
      created(
        await author.post('/v1/station-checks', { stationCheck, station, instrument, at, results: checkResults(made) }),
      )
    }
    const ask = async () => {
      const { items } = expected(await author.get(`/v1/station-checks/${stationCheck}/affected?limit=500`), 200).body
      compareAffected(made.affected, items)
    }
    const recorded = { at: scene.at(made.recordedAt ?? made.at), act: record }
    return made.affected === undefined ? [recorded] : [recorded, { at: scene.at('23:59'), act: ask }]
  })
}

/** Written once, whichever case is the first to need them. */
async function haveReferenceUnits({ author, approver }: House): Promise<void> {
  for (const [referenceUnit, word] of [
    ['REF-SOUND', 'pass'],
    ['REF-FAULT', 'fail'],
  ]) {
    if ((await author.get(`/v1/reference-units/${referenceUnit}`)).status === 200) continue
    const kinds = ['protective-bonding', 'electric-strength-ac', 'insulation-resistance', 'touch-current']
    const shows = kinds.map((kind) => ({ kind, expected: word }))
    const { digest } = created(await author.post('/v1/reference-units', { referenceUnit, name: 'Dummy', shows })).body
    expected(
      await approver.sign(`/v1/reference-units/${referenceUnit}/confirmation`, { digest, meaning: MEANING }),
      200,
    )
  }
}
