import { ProductVersionWire } from '../../products/words.ts'
import { type PublishedEdition, PublishedEditionWire } from '../../rules/impacts.ts'
import { type Edition, EditionWire } from '../../rules/record.ts'
import { expectAnswer, insist } from './client.ts'
import { RefusalWire } from './scene-plant.ts'
import { type Draft, readDraft } from './seed.ts'
import { refusalText, type Stage } from './stage.ts'

const TABLES = [
  'rule-appliance-steps-1',
  'rule-appliance-bonding-1',
  'rule-appliance-strength-4',
  'rule-extractor-strength-3',
  'rule-appliance-insulation-1',
  'rule-appliance-touch-1',
] as const

/** Why invented rules may bind here: the service asks for a reason, and marks what they bind. */
export const BINDS_BECAUSE = 'Demonstration with the invented house rules of Aldermoor Works.'

/** Rule tables say what a test must at least be; a second person publishes them. Then two products. */
export async function publishRules(stage: Stage): Promise<void> {
  const { cast, shift, tell } = stage
  shift.until(10)
  tell.scene('Rules and products: one person writes, another signs')
  let isFirst = true
  for (const name of TABLES) {
    const written = await writeEdition(stage, await readDraft(name))
    if (isFirst) {
      tell.does(`Ruth Hartley writes rule table ${written.table} and tries to publish it herself.`)
      const refused = await cast.engineer.sign(publicationPath(written), publicationOf(written))
      const { type } = expectAnswer(refused, 403, RefusalWire)
      insist(type.endsWith(':two-people-required'), 'nobody publishes the own table', refused.body)
      tell.gets(refusalText(refused))
      tell.does('Daniel Amis reads her six tables and publishes each: his key, a one-time code, the digest he read.')
      isFirst = false
    }
    const published = await publishEdition(stage, written)
    const { title, edition, table, hitPolicy, rows } = published.content
    tell.detail(
      `${table}/${edition}  ${title}; ${rows.length} ${rows.length === 1 ? 'row' : 'rows'}${hitPolicy === 'C' ? ', alternatives' : ''}`,
    )
  }
  tell.gets('All six are in effect. Their sources are marked invented, so each publication states why it binds.')

  shift.until(25)
  tell.does('Ruth Hartley writes version 3 of the dust extractor EX36 and version 1 of the bench centrifuge BC12.')
  for (const name of ['product-ex36-3', 'product-bc12-1']) {
    const draft = await readDraft(name)
    const { product } = draft.content
    const posted = await cast.engineer.post(`/v1/products/${String(product)}/versions`, draft)
    const version = expectAnswer(posted, 201, ProductVersionWire)
    const path = `/v1/products/${version.product}/versions/${version.version}/confirmation`
    const confirmation = { digest: version.digest, meaning: 'Read against the drawing and confirmed' }
    const confirmed = expectAnswer(await cast.manager.sign(path, confirmation), 200, ProductVersionWire)
    tell.gets(
      `Daniel Amis confirms ${confirmed.product} version ${confirmed.version}, ${confirmed.content.name}. ${confirmed.digest.slice(0, 19)}...`,
    )
  }
}

export async function writeEdition({ cast }: Stage, draft: Draft): Promise<Edition> {
  const posted = await cast.engineer.post(`/v1/rule-tables/${String(draft.content['table'])}/editions`, draft)
  return expectAnswer(posted, 201, EditionWire)
}

export async function publishEdition({ cast }: Stage, edition: Edition): Promise<PublishedEdition> {
  return expectAnswer(
    await cast.manager.sign(publicationPath(edition), publicationOf(edition)),
    200,
    PublishedEditionWire,
  )
}

function publicationPath({ table, edition }: Edition): string {
  return `/v1/rule-tables/${table}/editions/${edition}/publication`
}

function publicationOf({ digest }: Edition) {
  return { digest, effectiveFrom: 'at-once', meaning: 'Read and published', bindsBecause: BINDS_BECAUSE }
}
