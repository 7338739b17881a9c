import { readdirSync, readFileSync } from 'node:fs'
import { expect, test } from 'vitest'
import { EditionContentWire } from '../../src/rules/words.ts'
import { productNamed, propose, tableOf } from './house.ts'

const folder = new URL('../../seed/rule-tables/', import.meta.url)
const contents = readdirSync(folder)
  .filter((name) => name.endsWith('.json'))
  .map((name) => EditionContentWire.parse(JSON.parse(readFileSync(new URL(name, folder), 'utf8')).content))
const ruleSets = [...new Set(contents.map(({ ruleSet }) => ruleSet))]
const products = ['product-ex36-3', 'product-gs18-1', 'product-bc12-1']

test.each(products)('%s by each published rule set of the collection: conforms, or says why not', (name) => {
  let conforming = 0
  for (const ruleSet of ruleSets) {
    const tables = contents.filter((one) => one.ruleSet === ruleSet).map((one, index) => tableOf(one, index + 2))
    const { check, open } = propose(productNamed(name, { '/ruleSets': [ruleSet] }), { tables })
    if (check.verdict === 'conforms') conforming += 1
    else
      expect(
        open.filter(({ text }) => text.startsWith('The check finds')),
        ruleSet,
      ).not.toEqual([])
  }
  expect(conforming).toBeGreaterThan(ruleSets.length / 2)
})

test('by all of them at once: tables that contradict each other are named', () => {
  const { check, open } = propose(productNamed('product-ex36-3', { '/ruleSets': ruleSets.slice(0, 50) }), {
    tables: contents.map((one, index) => tableOf(one, index + 2)),
  })
  expect(check.verdict).toBe('blocked')
  expect(open.some(({ text }) => text.includes('cannot be met together'))).toBe(true)
})
