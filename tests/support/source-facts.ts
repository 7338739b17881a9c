import {
  isBinaryExpression,
  isCallExpression,
  isExportDeclaration,
  isExportSpecifier,
  isExternalModuleReference,
  isIdentifier,
  isImportDeclaration,
  isImportSpecifier,
  isImportTypeNode,
  isLiteralTypeNode,
  isNamedImports,
  isNewExpression,
  isPropertyAccessExpression,
  isShorthandPropertyAssignment,
  isStringLiteral,
  isTypeNode,
  isVariableDeclarationList,
  type Node,
  NodeFlags,
  type SourceFile,
  SyntaxKind,
} from 'typescript/unstable/ast'
import { createVirtualFileSystem } from 'typescript/unstable/fs'
import { API, type Checker } from 'typescript/unstable/sync'

/** What the rules of the architecture ask of one source file. Lines count from 1. */
export interface SourceFacts {
  /** Below `src`, with forward slashes: `rules/feel-parse.ts`. */
  readonly path: string
  readonly lineCount: number
  readonly imports: readonly Import[]
  /** Lines with `async`, `await`, `for await` or `await using`. */
  readonly waitLines: readonly number[]
  /** Values from outside the language's pure part: the process, clocks, timers, randomness, the network, the console. */
  readonly outside: readonly { readonly name: string; readonly line: number }[]
}

/** One import, re-export, dynamic import or import of a type. */
export interface Import {
  readonly from: string
  /** Names as exported there; `*` for the whole module or a module whose names are not listed. */
  readonly names: readonly string[]
  /** Nothing of it is left at run time. */
  readonly isType: boolean
  readonly line: number
}

/** Globals that pure code has no use for. A local variable of the same name is not meant, and not reported. */
const OUTSIDE = new Set(
  'process performance setTimeout setInterval setImmediate queueMicrotask fetch console crypto globalThis require'.split(
    ' ',
  ),
)

/** Of these globals some uses depend on their arguments alone; every other use reaches a clock, chance or later. */
const PARTLY: Readonly<Record<string, (use: Node) => boolean>> = {
  Date: (use) =>
    isMember(use, ['UTC', 'parse']) ||
    (isNewExpression(use.parent) && use.parent.expression === use && (use.parent.arguments?.length ?? 0) > 0) ||
    (isBinaryExpression(use.parent) && use.parent.operatorToken.kind === SyntaxKind.InstanceOfKeyword),
  Math: (use) => isPropertyAccessExpression(use.parent) && use.parent.expression === use && !isMember(use, ['random']),
  Promise: () => false,
}

const ROOT = '/limitkeep'

/**
 * Reads the files with the compiler's own parser, so that comments, strings and templates cannot deceive it.
 * Types are not checked and nothing outside `files` is read.
 * @param files text by path below `src`
 */
export function readSourceFacts(files: ReadonlyMap<string, string>): SourceFacts[] {
  const compilerOptions = { noLib: true, noResolve: true, types: [], allowImportingTsExtensions: true, noEmit: true }
  const virtual: Record<string, string> = {
    [`${ROOT}/tsconfig.json`]: JSON.stringify({ compilerOptions, include: ['src'] }),
  }
  for (const [path, text] of files) virtual[`${ROOT}/src/${path}`] = text
  const api = new API({ cwd: ROOT, fs: createVirtualFileSystem(virtual) })
  try {
    const [project] = api.updateSnapshot({ openProject: `${ROOT}/tsconfig.json` }).getProjects()
    if (project === undefined) throw new Error('the compiler opened no project')
    return [...files.keys()].map((path) => {
      const source = project.program.getSourceFile(`${ROOT}/src/${path}`)
      if (source === undefined) throw new Error(`the compiler did not read ${path}`)
      return factsOf(path, source, project.checker)
    })
  } finally {
    api.close()
  }
}

function factsOf(path: string, source: SourceFile, checker: Checker): SourceFacts {
  const imports: Import[] = []
  const waitLines = new Set<number>()
  const suspects: Node[] = []
  const lineOf = (node: Node) => source.getLineAndCharacterOfPosition(node.getStart(source)).line + 1
  const visit = (node: Node, isInType: boolean): void => {
    const found = importOf(node)
    if (found !== undefined) imports.push({ ...found, line: lineOf(node) })
    if (isWait(node)) waitLines.add(lineOf(node))
    if (!isInType && isIdentifier(node) && isValueUse(node)) {
      const partly = Object.hasOwn(PARTLY, node.text) ? PARTLY[node.text] : undefined
      if (OUTSIDE.has(node.text) || (partly !== undefined && !partly(node))) suspects.push(node)
    }
    const isType = isInType || isTypeNode(node)
    node.forEachChild((child) => {
      visit(child, isType)
    })
  }
  visit(source, false)
  const outside = suspects
    .filter((node) => isGlobal(node, checker))
    .map((node) => ({ name: node.getText(source), line: lineOf(node) }))
  return { path, lineCount: linesOf(source.text), imports, waitLines: [...waitLines], outside }
}

/** With no library loaded a global has no declaration; `globalThis` is the language's own and cannot be another. */
function isGlobal(node: Node, checker: Checker): boolean {
  if (isShorthandPropertyAssignment(node.parent)) {
    return checker.getShorthandAssignmentValueSymbol(node.parent) === undefined
  }
  return checker.getSymbolAtLocation(node) === undefined || node.getText() === 'globalThis'
}

/** Lines as an editor counts them; a file that ends in a line feed has no further line. */
function linesOf(text: string): number {
  return text.split('\n').length - (text.endsWith('\n') ? 1 : 0)
}

function importOf(node: Node): Omit<Import, 'line'> | undefined {
  if (isImportDeclaration(node) && isStringLiteral(node.moduleSpecifier)) {
    const from = node.moduleSpecifier.text
    const clause = node.importClause
    if (clause === undefined) return { from, names: ['*'], isType: false }
    const bindings = clause.namedBindings
    const specifiers = bindings !== undefined && isNamedImports(bindings) ? bindings.elements : []
    const names = specifiers.filter(isImportSpecifier).map(({ propertyName, name }) => (propertyName ?? name).text)
    if (clause.name !== undefined) names.push('default')
    if (bindings !== undefined && !isNamedImports(bindings)) names.push('*')
    const isType =
      clause.phaseModifier === SyntaxKind.TypeKeyword ||
      (specifiers.length > 0 && clause.name === undefined && specifiers.every((one) => one.isTypeOnly))
    return { from, names, isType }
  }
  if (isExportDeclaration(node) && node.moduleSpecifier !== undefined && isStringLiteral(node.moduleSpecifier)) {
    const names: string[] = []
    node.exportClause?.forEachChild((child) => {
      if (isExportSpecifier(child)) names.push((child.propertyName ?? child.name).text)
    })
    return { from: node.moduleSpecifier.text, names: names.length > 0 ? names : ['*'], isType: node.isTypeOnly }
  }
  if (isImportTypeNode(node) && isLiteralTypeNode(node.argument) && isStringLiteral(node.argument.literal)) {
    return { from: node.argument.literal.text, names: ['*'], isType: true }
  }
  if (isExternalModuleReference(node) && isStringLiteral(node.expression)) {
    return { from: node.expression.text, names: ['*'], isType: false }
  }
  if (isCallExpression(node) && node.expression.kind === SyntaxKind.ImportKeyword) {
    const [argument] = node.arguments
    // A computed name could be anything, so it is reported as a module that does not exist.
    const from = argument !== undefined && isStringLiteral(argument) ? argument.text : './computed name'
    return { from, names: ['*'], isType: false }
  }
  return undefined
}

function isWait(node: Node): boolean {
  if (node.kind === SyntaxKind.AsyncKeyword || node.kind === SyntaxKind.AwaitKeyword) return true
  if (node.kind === SyntaxKind.AwaitExpression) return true
  return isVariableDeclarationList(node) && (node.flags & NodeFlags.AwaitUsing) === NodeFlags.AwaitUsing
}

/** False where the identifier is the name of a member rather than a value that is read. */
function isValueUse(node: Node): boolean {
  const { parent } = node
  if (isShorthandPropertyAssignment(parent)) return true
  return !('name' in parent && parent.name === node) && !('propertyName' in parent && parent.propertyName === node)
}

function isMember(object: Node, names: readonly string[]): boolean {
  const { parent } = object
  return isPropertyAccessExpression(parent) && parent.expression === object && names.includes(parent.name.text)
}
