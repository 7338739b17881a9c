import { costs, type GraphBuilder, type GraphObject } from '../platform/http/graphql/builder.ts'
import type { Services } from '../platform/http/server.ts'
import type { Edition, EditionKey } from '../rules/record.ts'
import { readSweeps } from './reads-sweep.ts'
import type { Sweep } from './sweep.ts'

/** The sweep after the publication of an edition. */
export function graphSweep(
  builder: GraphBuilder,
  { database, received }: Services,
  rules: { readonly Edition: GraphObject<Edition> },
): void {
  const SweepType = builder.objectRef<Sweep>('Sweep')
  SweepType.implement({
    description: 'How far the check of live revisions against a published edition is. Nothing waits for its end.',
    fields: (t) => ({
      table: t.exposeString('table'),
      edition: t.exposeInt('edition'),
      rulesVersion: t.exposeInt('rulesVersion', { description: 'That the publication became.' }),
      startedAt: t.expose('startedAt', { type: 'Instant' }),
      finishedAt: t.expose('finishedAt', {
        type: 'Instant',
        nullable: true,
        description: 'When the last revision that was there at the publication was checked; null while one is not.',
      }),
      total: t.exposeInt('total', { description: 'Live revisions now.' }),
      done: t.exposeInt('done', { description: 'Those checked at this rules version or a later one.' }),
      blocked: t.exposeInt('blocked', {
        description: 'Those that this publication has blocked, from some instant on.',
      }),
    }),
  })
  builder.objectField(rules.Edition, 'sweep', (t) =>
    t.loadable({
      type: SweepType,
      nullable: true,
      ...costs({ cost: 20 }),
      description: 'Null before the publication.',
      load: (keys: string[]) => readSweeps(database.sql, keys.map(keyOf), received.now()),
      resolve: ({ table, edition }) => `${table}/${edition}`,
    }),
  )
}

/** Keys hold no slash. */
function keyOf(text: string): EditionKey {
  const [table = '', edition] = text.split('/')
  return { table, edition: Number(edition) }
}
