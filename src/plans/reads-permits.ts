import type { Sql } from '../platform/database/sql.ts'
import { permitNotFound, writePermit } from './permit-record.ts'
import type { PermitAnswer } from './permit-words.ts'
import { selectPermit, selectPermits } from './store-permits.ts'

/** @throws Problem `permit-not-found` */
export async function getPermit(sql: Sql, permit: string): Promise<PermitAnswer> {
  const record = await selectPermit(sql, permit)
  if (record === undefined) throw permitNotFound(permit)
  return writePermit(record)
}

/** In order of their keys, of one plan or revision where it is named; one more than the limit where there are more. */
export async function listPermits(
  sql: Sql,
  page: { readonly after: string | undefined; readonly limit: number },
  of: { readonly plan?: string | undefined; readonly revision?: number | undefined },
): Promise<PermitAnswer[]> {
  return (await selectPermits(sql, { after: page.after ?? '', limit: page.limit + 1 }, of)).map(writePermit)
}
