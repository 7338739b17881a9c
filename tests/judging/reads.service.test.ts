import { afterAll, beforeAll, expect, test } from 'vitest'
import { emptyFacts, revisionKey } from '../../src/judging/facts.ts'
import { loadFacts } from '../../src/judging/reads.ts'
import { openWorks, type Works } from '../plans/works.ts'

let works: Works
beforeAll(async () => {
  works = await openWorks()
})
afterAll(() => works.close())

test('content that has lost its digest is no fact: nothing is judged by what was not signed', async () => {
  const line = await works.line()
  const [sound, lost] = [line.key(1), { plan: `${line.plan}-lost`, revision: 1 }]
  for (const key of [sound, lost]) await line.approved(key, 'at-once', { '/operation': key.plan })
  const { sql } = works.database
  await sql.query(`UPDATE governance.plan_revision SET content = replace(content, '"5.0"', '"9.0"') WHERE plan = $1`, [
    lost.plan,
  ])
  const load = ({ plan, revision }: typeof sound) =>
    loadFacts(sql, emptyFacts('leeds', { version: 1, rulesVersion: 1 }), [revisionKey(plan, revision)])
  const facts = await load(sound)
  expect(facts.entries.get(revisionKey(sound.plan, 1))).toMatchObject({ content: { operation: sound.plan } })
  await expect(load(lost)).rejects.toThrow(`revision 1 of ${lost.plan} has lost its digest`)
})
