import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { isXmlText, readXml, writeXml, xmlLimits } from '../../src/exact/xml.ts'

const bytes = (text: string) => new TextEncoder().encode(text)

function faultOf(text: string | Uint8Array) {
  const read = readXml(typeof text === 'string' ? bytes(text) : text)
  return read.ok ? 'read' : { code: read.fault.code, at: `${read.fault.line}:${read.fault.column}` }
}

describe('entities and document types (XML 1.0, sections 2.8 and 4.2) are refused before they could count', () => {
  const laughs = Array.from({ length: 9 }, (_, n) => `<!ENTITY l${n + 1} "${`&l${n};`.repeat(10)}">`).join('')
  test.each([
    ['a billion laughs', `<!DOCTYPE a [<!ENTITY l0 "ha">${laughs}]><a>&l9;</a>`],
    ['an external entity', '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><a>&x;</a>'],
    ['a parameter entity', '<!DOCTYPE a [<!ENTITY % x SYSTEM "http://127.0.0.1/x"> %x;]><a/>'],
    ['an external subset', '<!DOCTYPE a SYSTEM "http://127.0.0.1/a.dtd"><a/>'],
    ['a document type that does nothing', '<?xml version="1.0"?>\n<!DOCTYPE a>\n<a/>'],
  ])('%s', (_, text) => {
    expect(faultOf(text)).toMatchObject({ code: 'xml-doctype' })
  })
  test('the five entities of XML and references to characters are read', () => {
    expect(readXml(bytes('<a b="&quot;&#10;">&lt;&amp;&gt;&apos;&#x7edd;</a>'))).toMatchObject({
      root: { text: "<&>'\u7edd", attributes: new Map([['b', '"\n']]) },
    })
  })
})

test.each([
  ['', 'xml-malformed'],
  ['no xml', 'xml-malformed'],
  ['<a>', 'xml-malformed'],
  ['<a></b>', 'xml-malformed'],
  ['<a/><a/>', 'xml-malformed'],
  ['<a b="1" b="2"/>', 'xml-malformed'],
  ['<a>&undefined;</a>', 'xml-malformed'],
  ['<a>\u0001</a>', 'xml-malformed'],
  ['<a>&#0;</a>', 'xml-malformed'],
  ['<p:a/>', 'xml-malformed'],
  ['<?xml version="1.0" encoding="utf-16"?><a/>', 'xml-encoding'],
  ['<!DOCTYPE a [<!ENTITY', 'xml-malformed'],
])('%s', (text, code) => {
  expect(faultOf(text)).toMatchObject({ code })
})

test('a fault has its place', () => {
  expect(faultOf('<a>\n  <b></a>')).toEqual({ code: 'xml-malformed', at: '2:10' })
})

test('bytes that are no UTF-8 are refused, a mark of UTF-8 is not', () => {
  expect(faultOf(Uint8Array.from([0x3c, 0x61, 0x3e, 0xff]))).toMatchObject({ code: 'xml-encoding' })
  expect(faultOf(Uint8Array.from([0xff, 0xfe, 0x3c, 0x00]))).toMatchObject({ code: 'xml-encoding' })
  expect(readXml(bytes('\ufeff<a/>'))).toMatchObject({ ok: true })
})

test('what is too deep, too many or too wide is refused', () => {
  expect(faultOf('<a>'.repeat(xmlLimits.depth + 1))).toMatchObject({ code: 'xml-too-large' })
  expect(faultOf(`<a>${'<b/>'.repeat(xmlLimits.elements)}</a>`)).toMatchObject({ code: 'xml-too-large' })
  const many = Array.from({ length: xmlLimits.attributes + 1 }, (_, n) => ` a${n}=""`).join('')
  expect(faultOf(`<a${many}/>`)).toMatchObject({ code: 'xml-too-large' })
})

test('five megabytes of text in one element are read', () => {
  const read = readXml(bytes(`<a>${'x'.repeat(5_000_000)}</a>`))
  expect(read.ok && read.root.text.length).toBe(5_000_000)
})

test('what is written reads back as it was, in text and attributes', () => {
  const text = fc.string({ unit: 'binary' }).filter(isXmlText)
  fc.assert(
    fc.property(text, text, (given, inner) => {
      const written = writeXml({ name: 'a', attributes: [['b', given]], content: [{ name: 'c', content: inner }] })
      const read = readXml(bytes(written))
      if (!read.ok) throw new Error(JSON.stringify(read.fault))
      expect([read.root.attributes.get('b'), read.root.children[0]?.text]).toEqual([given, inner])
    }),
    { numRuns: 500 },
  )
})

test('what XML cannot hold is not written', () => {
  for (const wrong of ['\u0000', '\u001f', '\ufffe', '\uffff', '\ud800']) {
    expect(isXmlText(wrong)).toBe(false)
    expect(() => writeXml({ name: 'a', content: wrong })).toThrow(RangeError)
  }
})
