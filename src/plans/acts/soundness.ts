import type { Sql } from '../../platform/database/sql.ts'
import { Problem, type ProblemError } from '../../platform/problems.ts'
import { getVersion } from '../../products/reads.ts'
import type { ProductVersion } from '../../products/words.ts'
import { checkPlanContent } from '../content-check.ts'
import { selectSites } from '../store.ts'
import type { PlanContent } from '../words.ts'

/**
 * Why content cannot be stored as a draft; none for sound content. It is looked for before an act takes the gate, since
 * large content takes its time; `requireSound` holds the act to it.
 */
export async function findUnsound(sql: Sql, content: PlanContent): Promise<ProblemError[]> {
  const version = await findVersion(sql, content)
  if ('pointer' in version) return [version]
  const errors: ProblemError[] = version.digest === content.productDigest ? [] : [otherDigest(version)]
  const sites = await selectSites(sql)
  content.sites?.forEach((site, index) => {
    if (sites.includes(site)) return
    errors.push({ pointer: `/content/sites/${index}`, code: 'reference-unknown', detail: `There is no site ${site}.` })
  })
  for (const refusal of checkPlanContent(content, version.content)) {
    errors.push({ ...refusal, pointer: `/content${refusal.pointer}` })
  }
  return errors
}

/**
 * Under the gate: refuses what was found before it, and a product version that is no longer the one that content was
 * compared with. Sites do not go.
 * @throws Problem `field-invalid` naming every field at fault
 */
export async function requireSound(sql: Sql, content: PlanContent, unsound: readonly ProblemError[]): Promise<void> {
  if (unsound.length > 0) throw new Problem('field-invalid', { errors: [...unsound] })
  const version = await findVersion(sql, content)
  const error =
    'pointer' in version ? version : version.digest === content.productDigest ? undefined : otherDigest(version)
  if (error !== undefined) throw new Problem('field-invalid', { errors: [error] })
}

async function findVersion(
  sql: Sql,
  { product, productVersion }: PlanContent,
): Promise<ProductVersion | (ProblemError & { readonly pointer: string })> {
  try {
    return await getVersion(sql, product, productVersion)
  } catch (error) {
    if (!(error instanceof Problem) || error.key !== 'version-not-found') throw error
    return { pointer: '/content/productVersion', code: 'reference-unknown', detail: error.message }
  }
}

function otherDigest({ product, version, digest }: ProductVersion): ProblemError {
  const detail = `Version ${version} of ${product} has the digest ${digest}.`
  return { pointer: '/content/productDigest', code: 'digest-mismatch', detail }
}
