import type { Sql } from '../platform/database/sql.ts'
import type { ImpactFinding } from './words.ts'

export async function insertFindings(sql: Sql, impact: string, findings: readonly ImpactFinding[]): Promise<void> {
  if (findings.length === 0) return
  await sql.query(
    `INSERT INTO governance.impact_finding (impact, ordinal, finding)
     SELECT $1, * FROM unnest($2::int[], $3::text[])`,
    [impact, findings.map(({ ordinal }) => ordinal), findings.map((finding) => JSON.stringify(finding))],
    'impact_insert_findings',
  )
}

/** Of each impact in order of plans and revisions, after an ordinal. One more than `limit` of each where there are more. */
export async function selectFindingsOf(
  sql: Sql,
  impacts: readonly string[],
  page: { readonly after: number; readonly limit: number },
): Promise<(ImpactFinding & { readonly impact: string })[]> {
  const rows = await sql.query<{ impact: string; finding: string }>(
    `SELECT f.impact, f.finding FROM unnest($1::text[]) AS asked (impact) CROSS JOIN LATERAL (
       SELECT * FROM governance.impact_finding one WHERE one.impact = asked.impact AND one.ordinal > $2
       ORDER BY one.ordinal LIMIT $3) f
     ORDER BY f.impact, f.ordinal`,
    [impacts, page.after, page.limit + 1],
    'impact_findings',
  )
  return rows.map(({ impact, finding }) => ({ impact, ...(JSON.parse(finding) as ImpactFinding) }))
}
