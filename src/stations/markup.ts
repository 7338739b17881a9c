/** HTML in which text can never become markup: what is put into a template is escaped, unless it is markup itself. */

export interface Markup {
  readonly markup: string
}

type Part = string | number | Markup | readonly Markup[]

/** A template of markup. Text goes in escaped, for content and for quoted attribute values alike. */
export function html(fixed: TemplateStringsArray, ...parts: readonly Part[]): Markup {
  return { markup: String.raw({ raw: fixed }, ...parts.map(markupOf)) }
}

/** Text from people, set apart so that a direction in it turns nothing around it. */
export function name(text: string): Markup {
  return html`<bdi>${text}</bdi>`
}

export const nothing: Markup = { markup: '' }

function markupOf(part: Part): string {
  if (typeof part === 'string' || typeof part === 'number') return escapeText(String(part))
  if ('markup' in part) return part.markup
  return part.map(({ markup }) => markup).join('')
}

const references: Readonly<Record<string, string>> = {
  '&': '&amp;',
  '<': '&lt;',
  '>': '&gt;',
  '"': '&quot;',
  "'": '&#39;',
}

function escapeText(text: string): string {
  return text.replace(/[&<>"']/g, (sign) => references[sign] ?? '')
}
