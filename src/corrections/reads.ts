import { readStoredRun, type StoredRun } from '../intake/reads.ts'
import { emptyFacts, type Facts, factOf, revisionKey } from '../judging/facts.ts'
import { loadFacts } from '../judging/reads.ts'
import type { Database } from '../platform/database/pool.ts'
import type { Sql } from '../platform/database/sql.ts'
import { idInstant } from '../platform/ids.ts'
import { Problem } from '../platform/problems.ts'
import { writeCorrection } from './corrections.ts'
import type { Correction, CorrectionAnswer } from './words.ts'

const READ_CORRECTIONS = `
  SELECT c.correction_id AS "correctionId", c.run_id AS "runId", c.site_id AS site, c.step, c.measurement, c.member,
         c.number_before::jsonb AS "from", c.number_after::jsonb AS "to", c.reason, c.digest,
         c.verdict_before AS "verdictBefore", c.verdict_after AS "verdictAfter", c.judgement::jsonb AS judgement, c.steps,
         c.follows, c.recorded_at AS "recordedAt", c.recorded_by AS "recordedBy",
         f.confirmed_at AS "confirmedAt", f.confirmed_by AS "confirmedBy", f.meaning
  FROM intake.corrections c LEFT JOIN intake.correction_confirmations f USING (site_id, run_id, correction_id)
  WHERE c.run_id = ANY ($1::uuid[]) ORDER BY c.recorded_at, c.correction_id`

/** The corrections of runs, by run, each in the order in which they were made. A text that is no id of ours finds none. */
export async function readCorrectionsOf(sql: Sql, runIds: readonly string[]): Promise<Map<string, Correction[]>> {
  const known = runIds.filter((runId) => idInstant(runId) !== undefined)
  const byRun = new Map<string, Correction[]>(known.map((runId) => [runId, []]))
  for (const row of await sql.query<Correction>(READ_CORRECTIONS, [known], 'intake_read_corrections')) {
    byRun.get(row.runId)?.push(row)
  }
  return byRun
}

/**
 * The corrections of a run, in the order in which they were made.
 * @throws Problem `run-not-found`
 */
export async function listCorrections(database: Database, runId: string): Promise<CorrectionAnswer[]> {
  await readStoredRun(database.sql, runId)
  return ((await readCorrectionsOf(database.sql, [runId])).get(runId) ?? []).map(writeCorrection)
}

/** What a run is judged by again: the same revision and the same calibration as then. */
export async function loadJudgedBy(sql: Sql, { site, stored, instrument }: StoredRun): Promise<Facts> {
  const { judged } = stored
  if (judged === null || instrument === null) {
    throw new Problem('state-conflict', {
      detail: `The run ${stored.runId} was not judged, so nothing can be corrected.`,
    })
  }
  const facts = emptyFacts(site, { version: 0, rulesVersion: 0 })
  return await loadFacts(sql, facts, [revisionKey(judged.plan, judged.revision), `instrument/${instrument}`])
}

/** The uncertainty that the calibration cited states; nothing where it cites none. */
export function uncertaintyOf(facts: Facts, { stored, instrument }: StoredRun) {
  const calibrations = instrument === null ? [] : (factOf(facts, 'instrument', instrument)?.calibrations ?? [])
  const cited = calibrations.find(({ calibration }) => calibration === stored.judged?.calibration)
  return { uncertainty: cited?.uncertainty ?? [] }
}
