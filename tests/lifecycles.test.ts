import { readFileSync } from 'node:fs'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { lifecycle as csvLifecycle } from '../src/csv/lifecycle.ts'
import { lifecycle as planLifecycle } from '../src/plans/lifecycle.ts'
import { type Move, requireMove } from '../src/platform/versioned.ts'
import { lifecycle as productLifecycle } from '../src/products/lifecycle.ts'
import { lifecycle as ruleLifecycle } from '../src/rules/lifecycle.ts'

/** The life cycle of each room that keeps drafted and signed content, against its README, and as the acts are held to it. */
const rooms: {
  readonly room: string
  readonly signing: string
  readonly lifecycle: readonly Move<string, string>[]
}[] = [
  { room: 'products', signing: 'confirmVersion', lifecycle: productLifecycle },
  { room: 'rules', signing: 'publishEdition', lifecycle: ruleLifecycle },
  { room: 'plans', signing: 'approveRevision', lifecycle: planLifecycle },
  { room: 'csv', signing: 'confirmStationProfile', lifecycle: csvLifecycle },
]

/** The rows of the one table under a heading, cell by cell, without its head. */
function tableUnder(heading: string, page: string): string[][] {
  const section = page.split(/^## /m).find((part) => part.startsWith(`${heading}\n`)) ?? expect.fail(`no ${heading}`)
  const lines = section.split('\n').filter((line) => line.startsWith('|'))
  return lines.slice(2).map((line) =>
    line
      .split('|')
      .slice(1, -1)
      .map((cell) => cell.trim()),
  )
}

function told({ from, action, to, who, secondPerson, refusal }: Move<string, string>): string[] {
  const by = secondPerson ? `${who}, a second person` : who
  return [
    from ?? '',
    `\`${action}\``,
    to,
    by,
    `\`${refusal ?? (from === null ? 'already-exists' : 'state-conflict')}\``,
  ]
}

describe.each(rooms)('the life cycle of $room', ({ room, signing, lifecycle }) => {
  test('is told line by line in the README', () => {
    const page = readFileSync(new URL(`../src/${room}/README.md`, import.meta.url), 'utf8')
    expect(tableUnder('Life cycle', page)).toEqual(lifecycle.map(told))
  })

  test('has one line at most for an act in a state, and one refusal for an act', () => {
    const starts = lifecycle.map(({ from, action }) => `${from} ${action}`)
    expect(new Set(starts).size).toBe(starts.length)
    const refusals = new Map(lifecycle.map(({ action, refusal }) => [action, refusal]))
    for (const { action, refusal } of lifecycle) expect(refusals.get(action)).toBe(refusal)
  })

  test('lets nobody sign what they wrote, and nobody write after the draft', () => {
    const actions = [...new Set(lifecycle.flatMap(({ from, action }) => (from === null ? [] : [action])))]
    const acts = fc.array(fc.tuple(fc.constantFrom(...actions), fc.constantFrom('P-1', 'P-2', 'P-3')), {
      maxLength: 20,
    })
    fc.assert(
      fc.property(acts, (tried) => {
        let state = lifecycle.find(({ from }) => from === null)?.to ?? expect.fail('nothing makes it')
        const authors = ['P-1']
        const frozen: string[] = []
        for (const [action, by] of tried) {
          const current = { name: 'it', state, digest: 'sha256:aa', authors: [...authors] }
          let next: string
          try {
            next = requireMove(lifecycle, action, current, { by })
          } catch {
            continue
          }
          if (action === signing) expect(authors).not.toContain(by)
          if (action.startsWith('replace')) {
            expect(frozen).toEqual([])
            if (!authors.includes(by)) authors.push(by)
          } else frozen.push(action)
          state = next
        }
      }),
    )
  })
})
