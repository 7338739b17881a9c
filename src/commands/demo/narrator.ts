import type { Shift } from './shift.ts'

const WIDTH = 108
const INDENT = '       '

/** Prints the story: scenes with a number, what somebody does with the time of the shift, and what comes of it. */
export interface Narrator {
  /** A paragraph outside any scene. */
  say(text: string): void
  scene(title: string): void
  /** Somebody does something. */
  does(text: string): void
  /** What the service made of it. */
  gets(text: string): void
  /** A line that belongs to the one before, kept as it is. */
  detail(text: string): void
}

const INSTANT = /\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z/g
const RUN_ID = /[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}/g

export function narratorTo(write: (line: string) => void, shift: Shift): Narrator {
  let scenes = 0
  const runs = new Map<string, string>()
  const numberOf = (id: string) => {
    const number = runs.get(id) ?? `#${runs.size + 1}`
    runs.set(id, number)
    return number
  }
  // Instants and ids differ each time; told by the shift's own time and by numbers, the story is the same.
  const retell = (text: string) =>
    text.replace(INSTANT, (instant) => shift.tell(Date.parse(instant))).replace(RUN_ID, numberOf)
  const lines = (text: string, first: string, rest: string) => {
    for (const [index, line] of wrap(retell(text), WIDTH - rest.length).entries()) {
      write((index === 0 ? first : rest) + line)
    }
  }
  return {
    say(text) {
      lines(text, '', '')
    },
    scene(title) {
      scenes += 1
      write('')
      write(`${scenes}. ${title}`)
    },
    does(text) {
      lines(text, `${shift.tell(shift.now()).padStart(5)}  `, INDENT)
    },
    gets(text) {
      lines(text, `${INDENT}=> `, `${INDENT}   `)
    },
    detail(text) {
      lines(text, `${INDENT}   `, `${INDENT}     `)
    },
  }
}

/** Breaks text between words, so that no line is longer than `width` unless one word is. */
export function wrap(text: string, width: number): string[] {
  const lines: string[] = []
  let line = ''
  for (const word of text.split(' ')) {
    if (line !== '' && line.length + 1 + word.length > width) {
      lines.push(line)
      line = word
    } else {
      line = line === '' ? word : `${line} ${word}`
    }
  }
  lines.push(line)
  return lines
}
