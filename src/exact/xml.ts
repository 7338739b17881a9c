import { SaxesParser } from 'saxes'

/**
 * XML 1.0 with namespaces, read whole into elements. A document type declaration is refused before anything in it could
 * count: no entity is ever defined, so none can be expanded or fetched. Comments and processing instructions are left out.
 */
export interface XmlElement {
  /** Without prefix. */
  readonly name: string
  readonly namespace: string
  /** By name; those of a namespace by `{namespace}name`. */
  readonly attributes: ReadonlyMap<string, string>
  readonly children: readonly XmlElement[]
  /** All characters directly in it, CDATA included, line ends as LF. */
  readonly text: string
  /** Of the end of its opening tag, from 1. */
  readonly line: number
}

export interface XmlFault {
  readonly code: 'xml-malformed' | 'xml-doctype' | 'xml-encoding' | 'xml-too-large'
  readonly detail: string
  /** Both from 1. */
  readonly line: number
  readonly column: number
}

export type XmlRead =
  | { readonly ok: true; readonly root: XmlElement }
  | { readonly ok: false; readonly fault: XmlFault }

/** A tree larger than this is no table; the bounds keep memory small whatever is sent. */
export const xmlLimits = { elements: 100_000, depth: 100, attributes: 64 } as const

class Refused extends Error {
  readonly code: XmlFault['code']

  constructor(code: XmlFault['code'], detail: string) {
    super(detail)
    this.code = code
  }
}

interface Open extends XmlElement {
  readonly children: XmlElement[]
  text: string
}

/** The root element of a document in UTF-8, with or without its mark, or the first fault. */
export function readXml(bytes: Uint8Array): XmlRead {
  let text: string
  try {
    text = new TextDecoder('utf-8', { fatal: true }).decode(bytes)
  } catch (thrown) {
    if (!(thrown instanceof TypeError)) throw thrown
    return {
      ok: false,
      fault: { code: 'xml-encoding', detail: 'The bytes are no text in UTF-8.', line: 1, column: 1 },
    }
  }
  const parser = new SaxesParser({ xmlns: true })
  try {
    return { ok: true, root: readRoot(parser, text) }
  } catch (thrown) {
    if (!(thrown instanceof Refused)) throw thrown
    const { code, message: detail } = thrown
    return { ok: false, fault: { code, detail, line: parser.line, column: parser.columnIndex + 1 } }
  }
}

function readRoot(parser: SaxesParser<{ xmlns: true }>, text: string): XmlElement {
  const open: Open[] = []
  let root: XmlElement | undefined
  let count = 0
  parser.on('error', ({ message }) => {
    throw new Refused('xml-malformed', `This is no proper XML: ${message.replace(/^\d+:\d+: /, '')}`)
  })
  parser.on('xmldecl', ({ encoding }) => {
    if (encoding !== undefined && !/^(?:utf-8|us-ascii)$/i.test(encoding)) {
      throw new Refused('xml-encoding', `The document says that it is in ${encoding}; only UTF-8 is read.`)
    }
  })
  parser.on('doctype', () => {
    throw new Refused('xml-doctype', 'A document type declaration is not read, and no entity that it could define.')
  })
  parser.on('opentag', ({ local, uri, attributes }) => {
    count += 1
    const given = Object.values(attributes)
    if (count > xmlLimits.elements) throw new Refused('xml-too-large', `has more than ${xmlLimits.elements} elements`)
    if (open.length >= xmlLimits.depth) throw new Refused('xml-too-large', `is nested deeper than ${xmlLimits.depth}`)
    if (given.length > xmlLimits.attributes) {
      throw new Refused('xml-too-large', `an element has more than ${xmlLimits.attributes} attributes`)
    }
    const named = given
      .filter(({ prefix, name }) => prefix !== 'xmlns' && name !== 'xmlns')
      .map((one) => [one.uri === '' ? one.local : `{${one.uri}}${one.local}`, one.value] as const)
    const element: Open = {
      name: local,
      namespace: uri,
      attributes: new Map(named),
      children: [],
      text: '',
      line: parser.line,
    }
    open.at(-1)?.children.push(element)
    root ??= element
    open.push(element)
  })
  const add = (characters: string) => {
    const element = open.at(-1)
    if (element) element.text += characters
  }
  parser.on('text', add)
  parser.on('cdata', add)
  parser.on('closetag', () => {
    open.pop()
  })
  parser.write(text).close()
  if (root === undefined) throw new Refused('xml-malformed', 'The document has no element.')
  return root
}

/** An element to be written. Names carry their prefix; the root declares the namespaces as attributes. */
export interface XmlOut {
  readonly name: string
  readonly attributes?: readonly (readonly [string, string])[]
  /** Elements, one a line, or text that is kept to the character. */
  readonly content?: readonly XmlOut[] | string
}

/** A document in UTF-8 that reads back as it was written. Throws a RangeError on characters that XML cannot hold. */
export function writeXml(root: XmlOut): string {
  const lines = ['<?xml version="1.0" encoding="UTF-8"?>']
  writeElement(root, '', lines)
  return `${lines.join('\n')}\n`
}

function writeElement({ name, attributes = [], content = [] }: XmlOut, indent: string, lines: string[]): void {
  const given = attributes.map(([attribute, value]) => ` ${attribute}="${escaped(value)}"`).join('')
  if (content.length === 0) lines.push(`${indent}<${name}${given}/>`)
  else if (typeof content === 'string') lines.push(`${indent}<${name}${given}>${escaped(content)}</${name}>`)
  else {
    lines.push(`${indent}<${name}${given}>`)
    for (const child of content) writeElement(child, `${indent}  `, lines)
    lines.push(`${indent}</${name}>`)
  }
}

/** What XML 1.0 has no way to write, even as a reference: all but Char of its section 2.2. */
const UNWRITABLE = /[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\u{10000}-\u{10ffff}]/u

/** Whether XML can hold the text. */
export function isXmlText(text: string): boolean {
  return !UNWRITABLE.test(text)
}

const REFERENCES: Readonly<Record<string, string>> = {
  '&': '&amp;',
  '<': '&lt;',
  '>': '&gt;',
  '"': '&quot;',
  // A reader would turn these into LF or, in an attribute, into a blank.
  '\t': '&#9;',
  '\n': '&#10;',
  '\r': '&#13;',
}

function escaped(text: string): string {
  if (!isXmlText(text)) throw new RangeError('the text holds a character that XML cannot')
  return text.replaceAll(/[&<>"\t\n\r]/g, (character) => REFERENCES[character] ?? character)
}
