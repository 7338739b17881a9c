import { expect } from 'vitest'
import { EditionContentWire } from '../../src/rules/words.ts'
import { verified } from '../rules/verify/verified.ts'
import { created, expected } from '../support/service.ts'
import type { House } from './http.ts'
import { type Scene, tableContent } from './scene.ts'

/** Tables of a case that must not be published, by the function that verifies them. */
export function runRefusedTablesPure(scene: Scene): void {
  for (const given of scene.given.tables) {
    if (given.overlap === undefined) continue
    const { overlaps } = verified(EditionContentWire.parse(tableContent(scene, given)))
    expect(overlaps.map(({ rows }) => rows)).toEqual([given.overlap.rows])
    const [found] = overlaps
    const example = found?.example?.map(({ attribute, value, unit }) => [
      attribute,
      `${value}${unit ? ` ${unit}` : ''}`,
    ])
    expect(Object.fromEntries(example ?? [])).toEqual(given.overlap.example)
  }
}

/** The same over HTTP: a draft, and refused at the submission and at the signature, with the input that shows it. */
export async function runRefusedTablesHttp({ author, approver }: House, scene: Scene): Promise<void> {
  for (const given of scene.given.tables) {
    if (given.overlap === undefined) continue
    const content = tableContent(scene, given)
    const path = `/v1/rule-tables/${content.table}/editions`
    const { digest } = created(await author.post(path, { content, changeReason: 'house rules gone through' })).body
    const publication = { digest, effectiveFrom: 'at-once', meaning: 'compared', bindsBecause: 'house rule' }
    const refusals = [
      await author.post(`${path}/${content.edition}/submission`, { digest }),
      await approver.sign(`${path}/${content.edition}/publication`, publication),
    ]
    for (const refused of refusals) {
      const [error, ...others] = expected(refused, 422).body.errors
      expect([error.code, others]).toEqual(['rows-overlap', []])
      for (const value of Object.values(given.overlap.example)) expect(error.detail).toContain(value)
    }
  }
}
