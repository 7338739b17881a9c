import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { breakpoints, editionsInEffect, type Publication } from '../../src/rules/timeline.ts'

function published(table: string, edition: number, effectiveFrom: number, publishedVersion: number): Publication {
  return { table, edition, effectiveFrom, publishedVersion, publishedAt: effectiveFrom - 1 }
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

test('breakpoints lie strictly inside the span and are known', () => {
  expect(breakpoints(publications, { from: 100, until: undefined, knownVersion: 9 })).toEqual([150, 180, 200])
  expect(breakpoints(publications, { from: 100, until: 200, knownVersion: 9 })).toEqual([150, 180])
  expect(breakpoints(publications, { from: 0, until: 9999, knownVersion: 2 })).toEqual([100, 150])
})

test('between two breakpoints nothing changes', () => {
  const publication = fc
    .tuple(fc.constantFrom('a', 'b'), fc.integer({ min: 1, max: 9 }), fc.integer({ min: 0, max: 20 }), fc.nat(5))
    .map(([table, edition, from, version]) => published(table, edition, from, version))
  fc.assert(
    fc.property(fc.array(publication), fc.nat(5), (all, knownVersion) => {
      const instants = new Set(breakpoints(all, { from: -1, until: undefined, knownVersion }))
      for (let at = 0; at <= 21; at += 1) {
        if (instants.has(at)) continue
        expect(editionsInEffect(all, at, knownVersion)).toEqual(editionsInEffect(all, at - 1, knownVersion))
      }
    }),
  )
})
