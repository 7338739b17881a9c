import { type Import, readSourceFacts, type SourceFacts } from './source-facts.ts'

/** Rooms below `src`, lowest first. A room imports from itself and from lower ones. */
export const ROOMS = [
  'exact',
  'platform',
  'ledger',
  'access',
  'products',
  'rules',
  'plans',
  'stations',
  'review',
  'station-checks',
  'judging',
  'units',
  'intake',
  'corrections',
  'concessions',
  'alerts',
  'proposal',
  'csv',
  'studies',
  'impact',
] as const
type Room = (typeof ROOMS)[number]

/** What each breach is called. */
export const RULES = [
  'rooms: imports go to the same room or a lower one',
  'doors: of another room only pure files, acts and reads are used',
  'edges: rest graph job -> acts reads -> store, and pure files know no edge',
  'database: pg and Prisma are for store files and the platform',
  'pure: no waiting, no clock, no chance, no outside world',
  'pure: only Zod, node:crypto and other pure files',
  'process: only main, settings, service and commands',
  'size: at most 400 lines',
  'use: every file is reached from main or a command',
  'cycles: none',
  'paths: an import names a file that is there, or a runtime dependency',
] as const
export type Rule = (typeof RULES)[number]

export interface Breach {
  readonly rule: Rule
  /** File and reason, for a person. */
  readonly text: string
}

/** Where a file stands. `machinery` is the platform's own edges, which every edge of every room may use. */
type Part = 'pure' | 'store' | 'acts' | 'reads' | 'rest' | 'graph' | 'job' | 'machinery' | 'top' | 'command'

const LINES_MAX = 400
const EDGES = ['acts', 'reads', 'store', 'rest', 'graph', 'job'] as const
/** Edges under another name. */
const NAMED_EDGES: Readonly<Record<string, Part>> = {
  // Asks who sends a request, before any handler: hooks of the HTTP server, installed by app.ts alone.
  'access/guard.ts': 'rest',
}
/** The platform knows no trade; what of it reaches the database, the network, a clock, timers or chance. */
const MACHINERY = /^platform\/(?:database\/|http\/|(?:gate|clock|ids|reconcile)\.ts$)/
/** Says in types what an edge must do, so it may borrow types from edges; at run time it knows none. */
const PORTS = new Set(['intake/port.ts'])
/** Parsers without a clock, chance or network: each with its one importer. */
const PARSERS: Readonly<Record<string, string>> = { 'rules/feel-grammar.ts': 'lezer-feel', 'exact/xml.ts': 'saxes' }
const PROCESS_USERS = /^(?:(?:main|settings|service)\.ts|commands\/.*)$/
/** Files that nothing in src imports, each with its reason; empty is best. */
const ROOTS_BESIDE_MAIN: readonly string[] = []
const GENERATED = 'generated/'
/** Of node:crypto, what draws from chance or hands work to another thread. */
const CHANCE = /^(?:random|generate|getRandomValues|webcrypto|subtle|secureHeapUsed|\*|default)/

export interface Checked {
  /** Text by path below `src`; `src/generated` left out. */
  readonly files: ReadonlyMap<string, string>
  /** The packages of package.json that are there at run time. */
  readonly dependencies: ReadonlySet<string>
}

/** All breaches of the architecture in these files, in the order of the files. */
export function checkArchitecture({ files, dependencies }: Checked): Breach[] {
  const facts = readSourceFacts(files)
  const breaches: Breach[] = []
  for (const file of facts) {
    const breach = (rule: Rule, line: number | undefined, why: string) =>
      breaches.push({ rule, text: `src/${file.path}${line === undefined ? '' : `:${line}`} ${why}` })
    checkFile(file, breach)
    for (const one of file.imports) checkImport(file.path, one, { files, dependencies, breach })
  }
  checkGraph(facts, (rule, text) => breaches.push({ rule, text }))
  return breaches
}

type Report = (rule: Rule, line: number | undefined, why: string) => void

function checkFile(file: SourceFacts, breach: Report): void {
  const isPure = partOf(file.path) === 'pure'
  if (heightOf(file.path) < 0) {
    breach('rooms: imports go to the same room or a lower one', undefined, 'stands in a folder that is no room')
  }
  if (file.lineCount > LINES_MAX) breach('size: at most 400 lines', undefined, `has ${file.lineCount} lines`)
  if (isPure) {
    const rule = 'pure: no waiting, no clock, no chance, no outside world'
    for (const line of file.waitLines) breach(rule, line, 'waits')
    for (const { name, line } of file.outside) breach(rule, line, `uses ${name}`)
  }
  if (!PROCESS_USERS.test(file.path)) {
    for (const { name, line } of file.outside) {
      if (name === 'process') breach('process: only main, settings, service and commands', line, 'uses process')
    }
  }
}

interface ImportContext extends Checked {
  readonly breach: Report
}

function checkImport(path: string, one: Import, { files, dependencies, breach }: ImportContext): void {
  const from = partOf(path)
  const say = (rule: Rule, why: string) => breach(rule, one.line, `${why} (${one.from})`)
  const target = resolve(path, one.from)
  if (isDatabase(one.from, target) && from !== 'store' && !mayUseDatabase(path)) {
    say('database: pg and Prisma are for store files and the platform', 'imports the database driver')
  }
  if (target === undefined) {
    checkPackage(path, one, dependencies, say)
    return
  }
  if (target.startsWith(GENERATED)) {
    if (from === 'pure') say('pure: only Zod, node:crypto and other pure files', 'imports generated code')
    return
  }
  if (!files.has(target)) {
    say('paths: an import names a file that is there, or a runtime dependency', 'imports a file that is not there')
    return
  }
  const to = partOf(target)
  if (from === 'pure' && to !== 'pure' && !(PORTS.has(path) && one.isType)) {
    say('edges: rest graph job -> acts reads -> store, and pure files know no edge', `is pure and imports ${target}`)
    return
  }
  checkArrow(path, target, say)
}

function checkArrow(path: string, target: string, say: (rule: Rule, why: string) => void): void {
  const [from, to] = [partOf(path), partOf(target)]
  const [home, there] = [heightOf(path), heightOf(target)]
  if (there > home) {
    say('rooms: imports go to the same room or a lower one', `imports ${target} above it`)
    return
  }
  if (to === 'machinery' || to === 'pure' || to === 'top' || to === 'command') return
  const isTop = from === 'top' || from === 'command'
  if (there === home) {
    if (TIERS[to] > TIERS[from]) {
      say(
        'edges: rest graph job -> acts reads -> store, and pure files know no edge',
        `is ${from} and imports ${target}`,
      )
    } else if (TIERS[from] === 3 && to === 'store') {
      say(
        'edges: rest graph job -> acts reads -> store, and pure files know no edge',
        `passes by acts and reads to ${target}`,
      )
    }
  } else if (to === 'store' || (TIERS[to] === 3 && !isTop)) {
    say('doors: of another room only pure files, acts and reads are used', `uses ${target}`)
  }
}

/** Inside a room an edge imports its own tier or a lower one. */
const TIERS: Readonly<Record<Part, number>> = {
  pure: 0,
  machinery: 0,
  store: 1,
  acts: 2,
  reads: 2,
  rest: 3,
  graph: 3,
  job: 3,
  top: 4,
  command: 4,
}

function checkPackage(
  path: string,
  one: Import,
  dependencies: ReadonlySet<string>,
  say: (rule: Rule, why: string) => void,
): void {
  if (/^(?:node:)?process$/.test(one.from) && !PROCESS_USERS.test(path)) {
    say('process: only main, settings, service and commands', 'imports process')
  }
  const name = one.from.split('/', one.from.startsWith('@') ? 2 : 1).join('/')
  if (!one.from.startsWith('node:') && !dependencies.has(name)) {
    say('paths: an import names a file that is there, or a runtime dependency', 'is missing from dependencies')
  }
  if (partOf(path) !== 'pure') return
  const isAllowed = name === 'zod' || one.from === 'node:crypto' || PARSERS[path] === name
  if (!isAllowed) say('pure: only Zod, node:crypto and other pure files', 'imports a package')
  if (one.from === 'node:crypto' && !one.isType) {
    const drawn = one.names.filter((imported) => CHANCE.test(imported))
    if (drawn.length > 0) {
      say('pure: no waiting, no clock, no chance, no outside world', `imports ${drawn.join(', ')}`)
    }
  }
}

function isDatabase(specifier: string, target: string | undefined): boolean {
  return /^(?:pg(?:-.*)?|@prisma\/.*|prisma)(?:\/|$)/.test(specifier) || target?.startsWith(GENERATED) === true
}

function mayUseDatabase(path: string): boolean {
  return path.startsWith('platform/database/') || path === 'platform/gate.ts'
}

/** Unused files, and the ways in which files import each other in a ring. Types count: a reader follows them as well. */
function checkGraph(facts: readonly SourceFacts[], breach: (rule: Rule, text: string) => void): void {
  const targets = new Map(
    facts.map(({ path, imports }) => [
      path,
      [...new Set(imports.map((one) => resolve(path, one.from)).filter((target) => target !== undefined))],
    ]),
  )
  const roots = facts
    .map(({ path }) => path)
    .filter((path) => path === 'main.ts' || /^commands\/[^/]+$/.test(path) || ROOTS_BESIDE_MAIN.includes(path))
  const reached = new Set<string>()
  const waiting = [...roots]
  for (let path = waiting.pop(); path !== undefined; path = waiting.pop()) {
    if (reached.has(path)) continue
    reached.add(path)
    waiting.push(...(targets.get(path) ?? []))
  }
  for (const path of targets.keys()) {
    if (!reached.has(path)) breach('use: every file is reached from main or a command', `src/${path} is unused`)
  }
  for (const ring of ringsOf(targets)) breach('cycles: none', ring.map((path) => `src/${path}`).join(' -> '))
}

/** One ring for each import that leads back to a file on the way to it (depth first). */
function ringsOf(targets: ReadonlyMap<string, readonly string[]>): string[][] {
  const rings: string[][] = []
  const done = new Set<string>()
  const way: string[] = []
  const visit = (path: string): void => {
    const begins = way.indexOf(path)
    if (begins >= 0) rings.push([...way.slice(begins), path])
    if (begins >= 0 || done.has(path)) return
    way.push(path)
    for (const target of targets.get(path) ?? []) visit(target)
    way.pop()
    done.add(path)
  }
  for (const path of targets.keys()) visit(path)
  return rings
}

/** The path below `src` that a relative import names; undefined for a package. */
function resolve(path: string, specifier: string): string | undefined {
  if (!specifier.startsWith('.') && !specifier.startsWith('/')) return undefined
  const { pathname } = new URL(specifier, `file:///src/${path}`)
  return pathname.startsWith('/src/') ? pathname.slice('/src/'.length) : `outside src: ${specifier}`
}

function partOf(path: string): Part {
  const named = NAMED_EDGES[path]
  if (named !== undefined) return named
  if (!path.includes('/')) return 'top'
  if (path.startsWith('commands/')) return 'command'
  if (MACHINERY.test(path)) return 'machinery'
  const inRoom = path.split('/')[1] ?? ''
  return EDGES.find((edge) => inRoom === edge || inRoom === `${edge}.ts` || inRoom.startsWith(`${edge}-`)) ?? 'pure'
}

/** Files at the top stand above all rooms, commands above those; -1: the folder is no room. */
function heightOf(path: string): number {
  const part = partOf(path)
  if (part === 'command') return ROOMS.length + 1
  if (part === 'top') return path === 'main.ts' ? ROOMS.length + 1 : ROOMS.length
  return ROOMS.indexOf(path.split('/')[0] as Room)
}
