import { describe, expect, test } from 'vitest'
import { editionsInEffect, type Publication } from '../../src/rules/timeline.ts'

function published(table: string, edition: number, effectiveFrom: number, rulesVersion: number): Publication {
  return { table, edition, effectiveFrom, rulesVersion, publishedAt: effectiveFrom - 1 }
}

const publications = [
  published('bond', 1, 100, 1),
  published('strength', 1, 150, 2),
  published('bond', 2, 200, 3),
  published('bond', 3, 200, 4), // Published later for the same instant.
  published('bond', 4, 180, 5), // Published later for an earlier one.
]

function inEffect(at: number, knownVersion: number) {
  return [...editionsInEffect(publications, at, knownVersion).values()].map(
    ({ table, edition }) => `${table}/${edition}`,
  )
}

describe('editions in effect', () => {
  test.each<[at: number, known: number, editions: string[]]>([
    [99, 9, []],
    [100, 9, ['bond/1']],
    [149, 9, ['bond/1']],
    [150, 9, ['bond/1', 'strength/1']],
    [179, 9, ['bond/1', 'strength/1']],
    [180, 9, ['bond/4', 'strength/1']],
    [200, 9, ['bond/3', 'strength/1']],
    [200, 3, ['bond/2', 'strength/1']],
    [199, 4, ['bond/1', 'strength/1']],
    [1000, 0, []],
  ])('at %i, knowing version %i', (at, known, editions) => {
    expect(inEffect(at, known)).toEqual(editions)
  })
})

describe('a cancelled edition', () => {
  const cancelled = { ...published('bond', 5, 300, 6), cancelled: { rulesVersion: 8, at: 250 } }
  const known = (at: number, knownVersion: number) =>
    editionsInEffect([...publications, cancelled], at, knownVersion).get('bond')?.edition

  test('counts for whoever knows only the versions before its cancellation, and never after', () => {
    expect(known(300, 6)).toBe(5)
    expect(known(300, 7)).toBe(5)
    expect(known(300, 8)).toBe(3)
    expect(known(300, 5)).toBe(3)
  })
})
