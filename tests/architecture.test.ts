import { readdirSync, readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { type Breach, checkArchitecture, RULES, type Rule } from './support/architecture.ts'

const root = new URL('../', import.meta.url)

/** Text of every hand-written file, by its path below src. */
function readSources(): Map<string, string> {
  const src = new URL('src/', root)
  const paths = readdirSync(src, { recursive: true, encoding: 'utf8' })
    .map((path) => path.replaceAll('\\', '/'))
    .filter((path) => path.endsWith('.ts') && !path.startsWith('generated/'))
    .sort()
  return new Map(paths.map((path) => [path, readFileSync(new URL(path, src), 'utf8')]))
}

function readDependencies(): Set<string> {
  const { dependencies }: { dependencies: Record<string, string> } = JSON.parse(
    readFileSync(new URL('package.json', root), 'utf8'),
  )
  return new Set(Object.keys(dependencies))
}

describe('the source', () => {
  const files = readSources()
  const breaches = checkArchitecture({ files, dependencies: readDependencies() })

  test('is there', () => {
    expect([...files.keys()]).toEqual(expect.arrayContaining(['main.ts', 'exact/decimal.ts', 'platform/gate.ts']))
  })

  test.each(RULES)('%s', (rule) => {
    expect(breaches.filter((breach) => breach.rule === rule).map(({ text }) => text)).toEqual([])
  })
})

/** Breaches of one rule in a made-up tree, where main.ts reaches every other file unless the tree brings its own. */
function breachesOf(rule: Rule, tree: Record<string, string>): string[] {
  const all = Object.keys(tree).map((path) => `import './${path}'\n`)
  const files = new Map(Object.entries({ 'main.ts': all.join(''), ...tree }))
  const dependencies = new Set(['zod', 'pg', '@prisma/client', 'fastify', 'lezer-feel'])
  return checkArchitecture({ files, dependencies })
    .filter((breach: Breach) => breach.rule === rule)
    .map(({ text }) => text)
}

describe('the checker', () => {
  describe('rooms', () => {
    const rule = 'rooms: imports go to the same room or a lower one'

    test.each([
      ['a plain import', "import { b } from '../plans/b.ts'"],
      ['an import of a type', "import type { B } from '../plans/b.ts'"],
      ['a re-export', "export * from '../plans/b.ts'"],
      ['an import inside a type', "export type B = import('../plans/b.ts').B"],
      ['a dynamic import', "export const b = () => import('../plans/b.ts')"],
      ['an import for its effect', "import '../plans/b.ts'"],
    ])('refuses an upward arrow: %s', (_, line) => {
      expect(breachesOf(rule, { 'rules/a.ts': line, 'plans/b.ts': '' })).toEqual([
        'src/rules/a.ts:1 imports plans/b.ts above it (../plans/b.ts)',
      ])
    })

    test('allows the room itself and lower ones', () => {
      const tree = { 'plans/a.ts': "import './b.ts'\nimport '../rules/c.ts'", 'plans/b.ts': '', 'rules/c.ts': '' }
      expect(breachesOf(rule, tree)).toEqual([])
    })

    test('is not deceived by comments, strings and templates', () => {
      const text = [
        "// import '../plans/b.ts'",
        "/* import '../plans/b.ts' */",
        `export const text = "import '../plans/b.ts'"`,
        // biome-ignore lint/suspicious/noTemplateCurlyInString: the text of a made-up file.
        "export const more = `import '../plans/b.ts' ${text}`",
        "export const pattern = /import '..\\/plans\\/b.ts'/",
      ]
      expect(breachesOf(rule, { 'rules/a.ts': text.join('\n'), 'plans/b.ts': '' })).toEqual([])
    })

    test('refuses rooms that know the top of the tree, and folders that are no room', () => {
      const tree = { 'access/acts.ts': "import '../app.ts'", 'app.ts': '', 'shared/a.ts': '' }
      expect(breachesOf(rule, tree)).toEqual([
        'src/access/acts.ts:1 imports app.ts above it (../app.ts)',
        'src/shared/a.ts stands in a folder that is no room',
      ])
    })
  })

  describe('doors', () => {
    const rule = 'doors: of another room only pure files, acts and reads are used'

    test.each(['store.ts', 'store-blocks.ts', 'store/rows.ts', 'rest.ts', 'graph.ts', 'job.ts', 'job/sweep.ts'])(
      'refuses %s of another room',
      (file) => {
        const tree = { 'plans/acts.ts': `import '../rules/${file}'`, [`rules/${file}`]: '' }
        expect(breachesOf(rule, { ...tree, 'main.ts': "import './plans/acts.ts'" })).toEqual([
          `src/plans/acts.ts:1 uses rules/${file} (../rules/${file})`,
        ])
      },
    )

    test('refuses the guard of access', () => {
      const tree = { 'plans/rest.ts': "import '../access/guard.ts'", 'access/guard.ts': '' }
      expect(breachesOf(rule, tree)).toHaveLength(1)
    })

    test('allows acts, reads and pure files of lower rooms, and all of the platform', () => {
      const tree = {
        'plans/acts.ts':
          "import '../rules/acts/publish.ts'\nimport '../rules/reads-old.ts'\nimport '../rules/a.ts'\nimport '../platform/gate.ts'",
        'rules/acts/publish.ts': '',
        'rules/reads-old.ts': '',
        'rules/a.ts': '',
        'platform/gate.ts': '',
      }
      expect(breachesOf(rule, tree)).toEqual([])
    })

    test('allows the top of the tree everything but stores', () => {
      const tree = {
        'main.ts': "import './app.ts'",
        'app.ts': "import './rules/rest.ts'\nimport './access/guard.ts'\nimport './rules/store.ts'",
        'rules/rest.ts': '',
        'rules/store.ts': '',
        'access/guard.ts': '',
      }
      expect(breachesOf(rule, tree)).toEqual(['src/app.ts:3 uses rules/store.ts (./rules/store.ts)'])
    })
  })

  describe('edges', () => {
    const rule = 'edges: rest graph job -> acts reads -> store, and pure files know no edge'

    test.each([
      ['store.ts', 'reads.ts'],
      ['store.ts', 'acts/approve.ts'],
      ['store-runs.ts', 'rest.ts'],
      ['acts.ts', 'rest.ts'],
      ['reads.ts', 'job.ts'],
      ['rest.ts', 'store.ts'],
      ['job.ts', 'store.ts'],
      ['a.ts', 'store.ts'],
      ['a.ts', 'acts-lane.ts'],
    ])('refuses %s -> %s', (from, to) => {
      const tree = { 'main.ts': '', [`plans/${from}`]: `import './${to}'`, [`plans/${to}`]: '' }
      expect(breachesOf(rule, tree)).toHaveLength(1)
    })

    test.each([
      ['rest.ts', 'acts.ts'],
      ['rest.ts', 'reads.ts'],
      ['job.ts', 'acts/approve.ts'],
      ['graph.ts', 'a.ts'],
      ['acts.ts', 'reads.ts'],
      ['acts.ts', 'store.ts'],
      ['reads-revision.ts', 'store-blocks.ts'],
      ['store.ts', 'a.ts'],
      ['a.ts', 'b.ts'],
      // Names that only begin alike are pure files.
      ['stores.ts', 'b.ts'],
    ])('allows %s -> %s', (from, to) => {
      const tree = { 'main.ts': '', [`plans/${from}`]: `import './${to}'`, [`plans/${to}`]: '' }
      expect(breachesOf(rule, tree)).toEqual([])
    })

    test('refuses a pure file that knows an edge of another room, or of the platform', () => {
      const tree = {
        'plans/a.ts': "import '../rules/reads.ts'\nimport type { Clock } from '../platform/clock.ts'",
        'rules/reads.ts': '',
        'platform/clock.ts': '',
      }
      expect(breachesOf(rule, tree)).toHaveLength(2)
    })

    test('lets the port of the lane borrow types, and nothing else', () => {
      const port = (line: string) => ({ 'main.ts': '', 'intake/port.ts': line, 'units/reads.ts': '' })
      expect(breachesOf(rule, port("import type { U } from '../units/reads.ts'"))).toEqual([])
      expect(breachesOf(rule, port("import { type U } from '../units/reads.ts'"))).toEqual([])
      expect(breachesOf(rule, port("import { u, type U } from '../units/reads.ts'"))).toHaveLength(1)
    })
  })

  describe('database', () => {
    const rule = 'database: pg and Prisma are for store files and the platform'
    const lines = [
      "import pg from 'pg'",
      "import type { Pool } from 'pg'",
      "import { PrismaPg } from '@prisma/adapter-pg'",
      "import type { Prisma } from '../generated/prisma/client.ts'",
    ]

    test.each(lines)('refuses it in acts: %s', (line) => {
      expect(breachesOf(rule, { 'plans/acts.ts': line })).toHaveLength(1)
      expect(breachesOf(rule, { 'platform/reconcile.ts': line })).toHaveLength(1)
    })

    test.each(lines)('allows it in stores, the gate and platform/database: %s', (line) => {
      const deeper = line.replace("'../", "'../../")
      const tree = { 'plans/store.ts': line, 'platform/gate.ts': line, 'platform/database/pool.ts': deeper }
      expect(breachesOf(rule, tree)).toEqual([])
    })
  })

  describe('pure files', () => {
    const waits = 'pure: no waiting, no clock, no chance, no outside world'
    const imports = 'pure: only Zod, node:crypto and other pure files'

    test.each([
      'export async function f() {}',
      'export const f = async () => 1',
      'export const o = { async f() {} }',
      'for await (const a of []) a',
      'export const a = await 1',
      'export const now = Date.now()',
      'export const now = new Date()',
      'export const now = Date()',
      'export const now = { clock: Date }',
      'export const a = Math.random()',
      'export const { random } = Math',
      'export const p = new Promise(() => 1)',
      'export const p = Promise.resolve(1)',
      'setTimeout(() => 1, 1)',
      'export const t = performance.now()',
      'export const v = process.env',
      'export const o = { process }',
      "console.log('a')",
      "fetch('a')",
      'export const u = crypto.randomUUID()',
      'export const g = globalThis',
      "import { randomUUID } from 'node:crypto'",
      "import { createHash, randomBytes as bytes } from 'node:crypto'",
      "import * as crypto from 'node:crypto'",
      "import crypto from 'node:crypto'",
    ])('refuses %s', (line) => {
      expect(breachesOf(waits, { 'plans/a.ts': line })).toHaveLength(1)
    })

    test.each([
      'export const at = Date.UTC(2026, 2, 16)',
      "export const at = new Date('2026-03-16T00:00:00Z')",
      'export const isDate = (a: unknown) => a instanceof Date',
      'export const a = Math.max(1, 2)',
      'export type Later = Promise<number>',
      'export function f(process: { env: number }) { return process.env }',
      'export const o = { process: 1, Date: 2 }.process',
      'export class C { process = 1; Promise() { return this.process } }',
      'export const { process: a } = { process: 1 }',
      '// await Date.now()',
      "export const text = 'async Date.now()'",
      "import { createHash, timingSafeEqual } from 'node:crypto'",
    ])('allows %s', (line) => {
      expect(breachesOf(waits, { 'plans/a.ts': line })).toEqual([])
    })

    test('lets edges wait and look at the clock', () => {
      const text = 'export async function f() { await 1; return Date.now() }'
      const tree = { 'plans/acts/a.ts': text, 'access/guard.ts': text, 'intake/acts-lane.ts': text, 'app.ts': text }
      expect(breachesOf(waits, tree)).toEqual([])
    })

    test.each([
      ['plans/a.ts', "import fastify from 'fastify'"],
      ['plans/a.ts', "import type { FastifyRequest } from 'fastify'"],
      ['plans/a.ts', "import { readFile } from 'node:fs'"],
      ['plans/a.ts', "import { parser } from 'lezer-feel'"],
      ['rules/feel-compile.ts', "import { parser } from 'lezer-feel'"],
      ['plans/a.ts', "import type { Plan } from '../generated/prisma/client.ts'"],
    ])('refuses %s: %s', (path, line) => {
      expect(breachesOf(imports, { [path]: line })).toHaveLength(1)
    })

    test.each([
      ['plans/a.ts', "import { z } from 'zod'"],
      ['plans/a.ts', "import { createHash } from 'node:crypto'"],
      ['rules/feel-grammar.ts', "import { parser } from 'lezer-feel'"],
      ['plans/rest.ts', "import fastify from 'fastify'"],
    ])('allows %s: %s', (path, line) => {
      expect(breachesOf(imports, { [path]: line })).toEqual([])
    })
  })

  test('process: refuses it outside its places, however it is named', () => {
    const rule = 'process: only main, settings, service and commands'
    const text = "import { env } from 'node:process'\nexport const id = process.pid\nexport const e = env"
    const allowed = { 'main.ts': text, 'settings.ts': text, 'service.ts': text, 'commands/demo.ts': text }
    expect(breachesOf(rule, allowed)).toEqual([])
    expect(breachesOf(rule, { 'app.ts': text })).toHaveLength(2)
    expect(breachesOf(rule, { 'platform/database/pool.ts': text })).toHaveLength(2)
  })

  test('size: counts lines as an editor does', () => {
    const rule = 'size: at most 400 lines'
    expect(breachesOf(rule, { 'plans/a.ts': '//\n'.repeat(400), 'plans/b.ts': `${'//\n'.repeat(399)}//` })).toEqual([])
    expect(breachesOf(rule, { 'plans/a.ts': '//\n'.repeat(401) })).toEqual(['src/plans/a.ts has 401 lines'])
    expect(breachesOf(rule, { 'plans/a.ts': `${'//\n'.repeat(400)}//` })).toHaveLength(1)
  })

  test('use: finds what neither main nor a command reaches', () => {
    const rule = 'use: every file is reached from main or a command'
    const tree = {
      'main.ts': "import './app.ts'",
      'app.ts': '',
      'commands/demo.ts': "import type { A } from '../plans/a.ts'",
      'plans/a.ts': '',
      // Two files that keep each other alive are used by nobody.
      'plans/b.ts': "import './c.ts'",
      'plans/c.ts': "import './b.ts'",
    }
    expect(breachesOf(rule, tree)).toEqual(['src/plans/b.ts is unused', 'src/plans/c.ts is unused'])
  })

  test('cycles: names the ring, also one of types alone', () => {
    const rule = 'cycles: none'
    const tree = {
      'plans/a.ts': "import './b.ts'",
      'plans/b.ts': "import type { C } from './c.ts'",
      'plans/c.ts': "export * from './a.ts'",
      'plans/d.ts': "import './a.ts'\nimport './c.ts'",
    }
    expect(breachesOf(rule, tree)).toEqual(['src/plans/a.ts -> src/plans/b.ts -> src/plans/c.ts -> src/plans/a.ts'])
    expect(breachesOf(rule, { ...tree, 'plans/c.ts': '' })).toEqual([])
  })

  test.each([
    ['a file that is not there', "import './gone.ts'"],
    ['another ending', "import './b.js'"],
    ['no ending', "import './b'"],
    ['a file outside src', "import '../../tests/b.ts'"],
    ['a package of development', "import 'vitest'"],
    ['a computed name', 'export const m = (name: string) => import(name)'],
  ])('paths: refuses %s', (_, line) => {
    const rule = 'paths: an import names a file that is there, or a runtime dependency'
    expect(breachesOf(rule, { 'plans/acts.ts': line, 'plans/b.ts': '' })).toHaveLength(1)
    expect(breachesOf(rule, { 'plans/acts.ts': "import './b.ts'\nimport 'pg'", 'plans/b.ts': '' })).toEqual([])
  })
})
