import type { RevisionKey } from '../plans/record.ts'
import type { Sql } from '../platform/database/sql.ts'
import type { Act } from '../platform/gate.ts'
import type { LimitReason } from './words.ts'

export async function insertLimitReasons(
  act: Act,
  { plan, revision }: RevisionKey,
  reasons: readonly LimitReason[],
): Promise<void> {
  if (reasons.length === 0) return
  await act.prisma.limitReason.createMany({
    data: reasons.map(({ path, reason }, ordinal) => ({ plan, revision, ordinal, path, reason })),
  })
}

/** In the order in which they were stated. */
export async function selectLimitReasons(sql: Sql, { plan, revision }: RevisionKey): Promise<LimitReason[]> {
  return sql.query<LimitReason>(
    'SELECT path, reason FROM governance.limit_reason WHERE plan = $1 AND revision = $2 ORDER BY ordinal',
    [plan, revision],
    'review_limit_reasons',
  )
}
