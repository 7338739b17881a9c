import { existsSync, readdirSync, readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'

const root = new URL('../', import.meta.url)

/** Folders below src that are no room: what a generator writes, and the npm scripts. */
const NOT_ROOMS: ReadonlySet<string> = new Set(['generated', 'commands'])

/** One page: what a newcomer reads before the first file. The list of files is looked up, not read. */
const LINES_MAX = 65

const rooms = readdirSync(new URL('src/', root), { withFileTypes: true })
  .filter((entry) => entry.isDirectory() && !NOT_ROOMS.has(entry.name))
  .map(({ name }) => name)
  .sort()

function readme(room: string): string {
  return readFileSync(new URL(`src/${room}/README.md`, root), 'utf8')
}

/** The text under a heading that begins so, up to the next heading. */
function section(page: string, heading: string): string {
  const [, ...parts] = page.split(/^## /m)
  return parts.find((part) => part.startsWith(heading)) ?? expect.fail(`there is no section '${heading}'`)
}

/** The files that the page names, in its order: one line each, its name and what it is for. */
function filesNamed(page: string): string[] {
  const lines = section(page, 'Files, in reading order').split('\n').slice(1)
  return lines
    .filter((line) => line !== '')
    .map((line) => /^- `([^`]+)`: \S/.exec(line)?.[1] ?? expect.fail(`not a file and what it is for: ${line}`))
}

function filesThere(room: string): string[] {
  return readdirSync(new URL(`src/${room}/`, root), { recursive: true, encoding: 'utf8' })
    .map((path) => path.replaceAll('\\', '/'))
    .filter((path) => path.endsWith('.ts'))
    .sort()
}

test('the rooms are found', () => {
  expect(rooms).toEqual(expect.arrayContaining(['exact', 'platform', 'intake']))
})

describe.each(rooms)('src/%s/README.md', (room) => {
  const page = readme(room)

  test('asks the question of its room, and says words, invariants, an example and files', () => {
    const [title] = page.split('\n')
    expect(title).toMatch(new RegExp(`^# ${room}: .+\\?$`))
    for (const heading of ['Words', 'What stays true', 'An example by hand']) {
      expect(section(page, heading).split('\n').slice(1).join('').trim()).not.toBe('')
    }
  })

  test('names exactly the files that are there, each once', () => {
    expect(filesNamed(page).sort()).toEqual(filesThere(room))
  })

  test('names tests that are there', () => {
    const named = [...page.matchAll(/`(tests\/[^`]+)`/g)].map(([, path = '']) => path)
    expect(named.filter((path) => !existsSync(new URL(path, root)))).toEqual([])
    expect(named).not.toEqual([])
  })

  test('is one page', () => {
    const [read = ''] = page.split('## Files, in reading order')
    expect(read.split('\n').length).toBeLessThanOrEqual(LINES_MAX)
  })
})
