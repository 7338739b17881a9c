import { timestamptzText } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { Correction } from './words.ts'

export async function insertCorrection(act: Act, correction: Correction): Promise<void> {
  await act.sql.query(
    `INSERT INTO intake.corrections (site_id, run_id, correction_id, recorded_at, recorded_by, step, measurement, member,
       number_before, number_after, reason, digest, verdict_before, verdict_after, judgement, steps, follows)
     VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)`,
    [
      correction.site,
      correction.runId,
      correction.correctionId,
      timestamptzText(correction.recordedAt),
      correction.recordedBy,
      correction.step,
      correction.measurement,
      correction.member,
      correction.from === null ? null : JSON.stringify(correction.from),
      JSON.stringify(correction.to),
      correction.reason,
      correction.digest,
      correction.verdictBefore,
      correction.verdictAfter,
      JSON.stringify(correction.judgement),
      correction.steps === null ? null : JSON.stringify(correction.steps),
      correction.follows,
    ],
    'intake_insert_correction',
  )
}

export async function insertConfirmation(
  act: Act,
  { site, runId, correctionId }: Pick<Correction, 'site' | 'runId' | 'correctionId'>,
  signed: { readonly by: string; readonly meaning: string },
): Promise<void> {
  await act.sql.query(
    `INSERT INTO intake.correction_confirmations (site_id, run_id, correction_id, confirmed_at, confirmed_by, meaning)
     VALUES ($1, $2, $3, $4, $5, $6)`,
    [site, runId, correctionId, timestamptzText(act.at), signed.by, signed.meaning],
    'intake_confirm_correction',
  )
}
