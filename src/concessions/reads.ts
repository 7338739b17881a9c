import type { Sql } from '../platform/database/sql.ts'
import { Problem } from '../platform/problems.ts'
import { writeConcession } from './departures.ts'
import type { ConcessionAnswer, ConcessionRow } from './words.ts'

const CONCESSION = `
  SELECT c.site_id AS site, c.concession, c.run_id AS "runId", c.product, c.serial, c.reference, c.reason, c.digest,
    c.departures::jsonb AS departures, c.requested_at AS "requestedAt", c.requested_by AS "requestedBy",
    a.approved_at AS "approvedAt", a.approved_by AS "approvedBy", a.meaning
  FROM intake.concessions c LEFT JOIN intake.concession_approvals a USING (site_id, concession)`

export type ConcessionPlace = readonly [site: string, concession: string]

export async function readConcession(
  sql: Sql,
  { site, concession }: { readonly site: string; readonly concession: string },
): Promise<ConcessionRow> {
  const [row] = await sql.query<ConcessionRow>(
    `${CONCESSION} WHERE c.site_id = $1 AND c.concession = $2`,
    [site, concession],
    'concessions_one',
  )
  if (row === undefined) {
    throw new Problem('concession-not-found', { detail: `There is no concession ${concession} at site ${site}.` })
  }
  return row
}

/** @throws Problem `concession-not-found` */
export async function getConcession(
  sql: Sql,
  name: { readonly site: string; readonly concession: string },
): Promise<ConcessionAnswer> {
  return writeConcession(await readConcession(sql, name))
}

/** In order of site and key, of one unit where it is named; one more than the limit where there are more. */
export async function listConcessions(
  sql: Sql,
  page: { readonly after: ConcessionPlace | undefined; readonly limit: number },
  of: { readonly product?: string | undefined; readonly serial?: string | undefined },
): Promise<ConcessionAnswer[]> {
  const [site, concession] = page.after ?? ['', '']
  const rows = await sql.query<ConcessionRow>(
    `${CONCESSION} WHERE (c.site_id, c.concession) > ($1, $2 COLLATE "C")
       AND ($4::text IS NULL OR c.product = $4) AND ($5::text IS NULL OR c.serial = $5)
     ORDER BY c.site_id, c.concession LIMIT $3`,
    [site, concession, page.limit + 1, of.product ?? null, of.serial ?? null],
    'concessions_list',
  )
  return rows.map(writeConcession)
}

/** The concessions of runs, by run, in the order in which they were asked for. */
export async function readConcessionsOf(sql: Sql, runIds: readonly string[]): Promise<Map<string, ConcessionAnswer[]>> {
  const byRun = new Map<string, ConcessionAnswer[]>(runIds.map((runId) => [runId, []]))
  const rows = await sql.query<ConcessionRow>(
    `${CONCESSION} WHERE c.run_id::text = ANY ($1) ORDER BY c.requested_at, c.concession`,
    [runIds],
    'concessions_of_runs',
  )
  for (const row of rows) byRun.get(row.runId)?.push(writeConcession(row))
  return byRun
}
