import { createHash } from 'node:crypto'
import { describe, expect, test } from 'vitest'
import { readXml, type XmlElement } from '../../src/exact/xml.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import { GOVERNING } from '../../src/stations/cautions.ts'
import { type SheetFacts, setupSheet } from '../../src/stations/setup-sheet.ts'
import { PAGE_POLICY, setupSheetPage } from '../../src/stations/setup-sheet-page.ts'
import { capable, DIGEST, ex36Final } from './facts.ts'

const hostile = `</td><script>alert("1")</script><img src=x onerror='alert(2)'> & "quoted" \u202e`

function pageOf(change: Partial<SheetFacts> = {}): string {
  return setupSheetPage(
    setupSheet({
      plan: 'ex36-final',
      revision: 7,
      revisionDigest: DIGEST,
      state: 'approved',
      content: ex36Final(),
      productName: 'Workshop dust extractor EX36',
      at: Date.UTC(2026, 2, 16, 9),
      variants: ['EX36-3M', 'EX36-5M'],
      variant: undefined,
      station: { station: 'LDS-F2', name: 'Final test 2', site: 'leeds' },
      instrument: { instrument: 'INS-0031', name: 'Tester 31', capabilities: capable },
      programs: ['3', '4'],
      revisionNow: { isInForce: true, isChecked: true, isBlocked: false },
      stated: [],
      ...change,
    }),
  )
}

/** The page is well-formed XML below its document type, so that what a parser sees is what was meant. */
function rootOf(page: string): XmlElement {
  expect(page.startsWith('<!DOCTYPE html>\n')).toBe(true)
  const read = readXml(new TextEncoder().encode(page.slice('<!DOCTYPE html>\n'.length)))
  if (!read.ok) throw new Error(JSON.stringify(read.fault))
  return read.root
}

function all(element: XmlElement): XmlElement[] {
  return [element, ...element.children.flatMap(all)]
}

const textOf = (element: XmlElement): string => [element.text, ...element.children.map(textOf)].join(' ')

/** What may stand in what, of the elements that the page uses (HTML, 4.3 to 4.9). */
const childrenOf: Readonly<Record<string, RegExp>> = {
  html: /^(head|body)$/,
  head: /^(meta|title|style)$/,
  table: /^(thead|tbody)$/,
  thead: /^tr$/,
  tbody: /^tr$/,
  tr: /^(th|td)$/,
  ul: /^li$/,
  dl: /^(dt|dd)$/,
  p: /^(b|br|bdi|span|small)$/,
  li: /^(b|br|bdi|span|small)$/,
  h1: /^(b|br|bdi|span|small)$/,
  h2: /^(b|br|bdi|span|small)$/,
  th: /^(b|br|bdi|span|small)$/,
  meta: /^$/,
  br: /^$/,
  title: /^$/,
  style: /^$/,
}

function expectValid(root: XmlElement): void {
  expect([root.name, root.attributes.get('lang')]).toEqual(['html', 'en'])
  for (const element of all(root)) {
    const allowed = childrenOf[element.name]
    for (const child of element.children) {
      if (allowed) expect(child.name, `in ${element.name}`).toMatch(allowed)
      expect(child.name).toMatch(
        /^(head|body|meta|title|style|table|thead|tbody|tr|th|td|div|h1|h2|p|ul|li|dl|dt|dd|b|br|bdi|span|small)$/,
      )
    }
    for (const [attribute] of element.attributes)
      expect(attribute).toMatch(/^(lang|charset|content|http-equiv|name|class|role|scope)$/)
  }
  const heads = all(root).filter(({ name }) => name === 'title')
  expect(heads).toHaveLength(1)
}

describe('the page', () => {
  test('is valid, whatever the sheet holds', () => {
    expectValid(rootOf(pageOf()))
    expectValid(rootOf(pageOf({ station: undefined, instrument: undefined, programs: [], variants: [''] })))
    expectValid(rootOf(pageOf({ state: 'draft', programs: ['3'] })))
  })

  test('carries plan, revision and digest in the part that is repeated on every printed page', () => {
    const [pages] = all(rootOf(pageOf())).filter(({ attributes }) => attributes.get('class') === 'pages')
    const [head] = pages?.children ?? []
    expect(head?.name).toBe('thead')
    expect(head && textOf(head)).toContain(DIGEST)
    expect(head && textOf(head)).toMatch(/ex36-final.*7/)
  })

  test('has programs, tester steps, cautions, what governs, and room for two signatures', () => {
    const root = rootOf(pageOf())
    const rows = all(root).filter(({ attributes }) => attributes.get('class') === 'box')
    expect(rows).toHaveLength(8)
    const text = textOf(root)
    expect(text).toContain('Program')
    expect(text).toContain('test voltage: set 1250 V; accepted: 1200 to 1287.5 V')
    expect(text).toContain('EX36-5M: at most 197.5 mOhm')
    expect(text).toContain('High voltage can kill. Local codes and licensed practice govern.')
    expect(text).toContain(GOVERNING)
    expect(text).toContain('Keyed in by')
    expect(text).toContain('Read back by')
  })

  test('names what does not fit', () => {
    const capabilities = { ...capable, programs: { count: 1, stepsEach: 5 } }
    const text = textOf(rootOf(pageOf({ programs: [], instrument: { instrument: 'INS-1', name: 'T', capabilities } })))
    expect(text).toContain('No program left for these')
    expect(text).toContain('It does not take this revision')
  })

  test('is for A4, and loads and runs nothing: its policy lets in its own style alone', () => {
    const page = pageOf()
    const [style] = all(rootOf(page)).filter(({ name }) => name === 'style')
    expect(style?.text).toContain('size: A4')
    expect(style?.text).not.toMatch(/url\(|@import|[<&]/)
    const inPage = /<style>([\s\S]*)<\/style>/.exec(page)?.[1] ?? ''
    const digest = createHash('sha256').update(inPage).digest('base64')
    expect(PAGE_POLICY).toBe(`default-src 'none'; style-src 'sha256-${digest}'`)
    expect(page).not.toMatch(/<script|<link|<img|src=|href=|javascript:|style="/)
  })

  test('no name in it becomes markup', () => {
    const content = ex36Final()
    const look = {
      step: 'look',
      kind: 'inspection',
      required: true,
      after: [],
      measurements: [{ measurement: 'm', instruction: hostile }],
    }
    const page = pageOf({
      content: PlanContentWire.parse({ ...content, steps: [look, ...content.steps] }),
      productName: hostile,
      station: { station: 'LDS-F2', name: hostile, site: 'leeds' },
      instrument: { instrument: 'INS-0031', name: hostile, capabilities: capable },
      stated: [{ table: 't', edition: 1, reason: hostile }],
    })
    const root = rootOf(page)
    expectValid(root)
    const shown = all(root).filter(({ name, text }) => name === 'bdi' && text.includes(hostile))
    expect(shown).toHaveLength(5)
    expect(page.replace(/<style>[\s\S]*<\/style>/, '')).not.toMatch(/<script|<img|onerror='/)
  })
})
