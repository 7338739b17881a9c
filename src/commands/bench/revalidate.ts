import { interleavedPairs, median, medianRatio, shown } from './figures.ts'
import { type House, openHouse } from './house.ts'
import type { Bench } from './words.ts'

const REVISIONS = 10_000

/** A rule is tightened: how long until the sweep has checked every live revision, of 10,000 and of 20,000. */
export const revalidate: Bench = async (tell) => {
  const houses: House[] = []
  try {
    for (const count of [REVISIONS, 2 * REVISIONS]) {
      tell(`Loads ${count} live revisions of five steps, against 40 tables of 25 rows.`)
      houses.push(await openHouse(count))
    }
    const [small, large] = houses
    if (small === undefined || large === undefined) throw new Error('there are two houses')
    tell(`Warm-up: ${(await small.revalidate()).toFixed(2)} s, ${(await large.revalidate()).toFixed(2)} s.`)
    const cpu: { small: number[]; large: number[] } = { small: [], large: [] }
    const pairs = await interleavedPairs(
      cpuTo(cpu.small, small),
      cpuTo(cpu.large, large),
      ({ ours, baseline }, number) => tell(`  ${number}: ${baseline.toFixed(2)} s, twice as many ${ours.toFixed(2)} s`),
    )
    tell(`  CPU of the service: ${median(cpu.small).toFixed(2)} s, twice as many ${median(cpu.large).toFixed(2)} s`)
    tell(await found(small))
    return { seconds10k: shown(median(pairs.map(({ baseline }) => baseline))), growth: shown(medianRatio(pairs)) }
  } finally {
    for (const { line } of houses) await line.close()
  }
}

/** Notes the seconds of CPU of each round: beside others on the machine they say more than those of the clock. */
function cpuTo(seconds: number[], house: House): () => Promise<number> {
  return async () => {
    const before = process.cpuUsage()
    const taken = await house.revalidate()
    const { user, system } = process.cpuUsage(before)
    seconds.push((user + system) / 1_000_000)
    return taken
  }
}

/** What the last check found, as proof that it was one. */
async function found({ line }: House): Promise<string> {
  const rows = await line.service.database.sql.query<{ verdict: string; checks: number; findings: number }>(
    `SELECT verdict, count(*) AS checks, coalesce(sum(blocking_count), 0)::int8 AS findings FROM governance.revision_check
     WHERE rules_version = (SELECT rules_version FROM intake.gate WHERE site_id = '*') GROUP BY verdict ORDER BY verdict`,
  )
  return rows
    .map(({ verdict, checks, findings }) => `${verdict}: ${checks} checks, ${findings} blocking findings`)
    .join('; ')
}
