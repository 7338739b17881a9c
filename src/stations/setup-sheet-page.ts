/**
 * The setup sheet as one page of HTML to print on A4: nothing is loaded and nothing runs. Plan, revision and digest stand at
 * the head of every printed page, since browsers repeat the head of a table; so no loose page can be taken for another's.
 */
import { hash } from 'node:crypto'
import { html, type Markup, name, nothing } from './markup.ts'
import type { SetupSheet, SheetInspection, SheetTesterStep } from './setup-sheet-words.ts'

/** The whole style; its digest is all that the policy lets in. It holds no `<` and no `&`. */
const STYLE = `
@page { size: A4; margin: 12mm 12mm 14mm; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 186mm; color: #111; background: #fff; font: 9.5pt/1.35 "Liberation Sans", Arial, sans-serif; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; }
.pages > thead th { font-weight: normal; padding: 2mm 0; border-bottom: 1.2mm solid #111; }
.pages > thead b { font-size: 12pt; }
.digest { display: block; font: 7.5pt/1.4 "Liberation Mono", monospace; overflow-wrap: anywhere; }
h1 { font-size: 15pt; margin: 4mm 0 1mm; }
h2 { font-size: 11.5pt; margin: 5mm 0 1.5mm; break-after: avoid; }
ul { margin: 1mm 0; padding-left: 5mm; }
dl { display: grid; grid-template-columns: 32mm 1fr; gap: 0.5mm 3mm; margin: 2mm 0; }
dt { color: #444; }
dd { margin: 0; }
.stop { border: 0.8mm solid #111; padding: 1.5mm 3mm; margin: 3mm 0; break-inside: avoid; }
.caution { border-left: 2.5mm solid #111; padding: 0.5mm 3mm; margin: 3mm 0; break-inside: avoid; }
.steps th { background: #e6e6e6; }
.steps th, .steps td { border: 0.25mm solid #777; padding: 1mm 1.5mm; overflow-wrap: anywhere; }
.steps tr, .sign { break-inside: avoid; }
.box { display: inline-block; width: 4mm; height: 4mm; border: 0.35mm solid #111; }
.line { display: inline-block; min-width: 30mm; border-bottom: 0.3mm solid #111; }
.sign td { width: 50%; border: 0.35mm solid #111; padding: 2mm 3mm; height: 24mm; }
small { color: #333; }
@media screen { body { padding: 8mm; } }
`

/** What may be loaded by the page: nothing but its own style. For the header of the answer, and for the file when saved. */
export const PAGE_POLICY = `default-src 'none'; style-src 'sha256-${hash('sha256', STYLE, 'base64')}'`

export function setupSheetPage(sheet: SetupSheet): string {
  const title = `Setup sheet ${sheet.plan} revision ${sheet.revision}`
  const count = sheet.programs.length
  const { markup } = html`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8" />
<meta http-equiv="Content-Security-Policy" content="${PAGE_POLICY}" />
<meta name="viewport" content="width=device-width, initial-scale=1" />
<title>${title}</title>
<style>${{ markup: STYLE }}</style>
</head>
<body>
<table class="pages" role="presentation">
<thead><tr><th><b>${sheet.plan}</b> revision <b>${sheet.revision}</b>, ${sheet.state}<span class="digest">${sheet.revisionDigest}</span></th></tr></thead>
<tbody><tr><td>
<h1>Setup sheet</h1>
${factsOf(sheet)}
${againstUse(sheet)}
<div class="caution">
<b>High voltage can kill. Local codes and licensed practice govern.</b>
<ul>${sheet.cautions.map((caution) => html`<li>${caution}</li>`)}</ul>
<p>${sheet.governing}</p>
</div>
${sheet.programs.map(({ program, testerSteps }, index) => programOf({ program, testerSteps, index, count }))}
${leftOver(sheet.leftOver)}
${inspectionsOf(sheet.inspections)}
${signatures}
</td></tr></tbody>
</table>
</body>
</html>
`
  return markup
}

function factsOf(sheet: SetupSheet): Markup {
  const { product, productName, productVersion, operation, variant, variants, station, instrument, at } = sheet
  const line = (term: string, said: Markup) => html`<dt>${term}</dt><dd>${said}</dd>\n`
  const forms = variant === null ? (variants.length === 0 ? 'one form' : variants.join(', ')) : variant
  return html`<dl>
${line('Product', html`${name(productName)} (${product}, version ${productVersion})`)}${line('Variants', html`${forms}`)}${line('Operation', html`${operation}`)}${line(
  'Station',
  station === null ? blank : html`${name(station.name)} (${station.station}, site ${station.site})`,
)}${line(
  'Instrument',
  instrument === null
    ? blank
    : html`${name(instrument.name)} (${instrument.instrument})<br />${instrument.note}${instrument.fits ? '' : ' It does not take this revision: see below.'}`,
)}${line('As of', html`${at}`)}</dl>`
}

const blank: Markup = html`<span class="line">&#160;</span>`

function againstUse({ marks }: SetupSheet): Markup {
  if (marks.length === 0) return nothing
  return html`<div class="stop">
<b>Read before keying in</b>
<ul>${marks.map(({ text }) => html`<li>${name(text)}</li>`)}</ul>
</div>`
}

interface ProgramShown {
  readonly program: string | null
  readonly testerSteps: readonly SheetTesterStep[]
  readonly index: number
  readonly count: number
}

function programOf({ program, testerSteps, index, count }: ProgramShown): Markup {
  const which = program === null ? blank : html`${program}`
  return html`<h2>Program ${which} <small>${index + 1} of ${count}, ${testerSteps.length} tester steps</small></h2>
${stepTable(testerSteps)}
`
}

function leftOver(steps: readonly SheetTesterStep[]): Markup {
  if (steps.length === 0) return nothing
  return html`<h2>No program left for these</h2>
${stepTable(steps)}
`
}

function stepTable(steps: readonly SheetTesterStep[]): Markup {
  return html`<table class="steps">
<thead><tr><th scope="col">No.</th><th scope="col">Test</th><th scope="col">Connect</th><th scope="col">Set</th><th scope="col">Limits</th><th scope="col">Keyed</th></tr></thead>
<tbody>${steps.map(stepRow)}</tbody>
</table>`
}

function stepRow(one: SheetTesterStep): Markup {
  return html`
<tr><td>${one.testerStep}</td><td><b>${one.step}</b>, ${one.measurement}<br />${one.kind}${one.required ? '' : ', optional'}</td><td>${one.connection.text}</td><td>${one.settings.map(
    ({ setting, text }) => html`${inWords(setting)}: ${text}<br />`,
  )}${one.notes.map((note) => html`<small>${note}</small><br />`)}</td><td>${one.limits.map(limitLine)}</td><td><span class="box"></span></td></tr>`
}

function limitLine({ variant, limitLower, limitUpper }: SheetTesterStep['limits'][number]): Markup {
  const said = [
    limitLower && `${limitLower.inclusive ? 'at least' : 'more than'} ${limitLower.value} ${limitLower.unit}`,
    limitUpper && `${limitUpper.inclusive ? 'at most' : 'less than'} ${limitUpper.value} ${limitUpper.unit}`,
  ].filter((part) => part !== null)
  return html`${variant === null ? '' : `${variant}: `}${said.join(', ')}<br />`
}

/** `testVoltage` as `test voltage`. */
function inWords(setting: string): string {
  return setting.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`)
}

function inspectionsOf(inspections: readonly SheetInspection[]): Markup {
  if (inspections.length === 0) return nothing
  return html`<h2>To be looked at <small>keyed into no program</small></h2>
<table class="steps">
<thead><tr><th scope="col">Test</th><th scope="col">What to look at</th></tr></thead>
<tbody>${inspections.map(
    ({ step, measurement, instruction }) => html`
<tr><td><b>${step}</b>, ${measurement}</td><td>${name(instruction)}</td></tr>`,
  )}</tbody>
</table>`
}

/** One keys in, another reads back: two names, never the same. */
const signatures: Markup = html`<h2>Signatures</h2>
<table class="sign">
<tbody><tr><td><b>Keyed in by</b><br />Name, signature, date and time</td><td><b>Read back by</b>, another person<br />Name, signature, date and time</td></tr></tbody>
</table>`
