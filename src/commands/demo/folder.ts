import { mkdir, readdir, readFile, rm, writeFile } from 'node:fs/promises'
import { join } from 'node:path'

/** Marks a folder as the demo's own, so that nothing else is ever emptied. */
const MARK = 'demo.txt'
const MARK_TEXT = 'This folder belongs to the demo of Limitkeep, which empties it at each start.\n'
/** Where a demo that stays up is found. */
const ADDRESS = 'url.txt'
const ANSWER_TIME_MAX_MS = 1_000

/** Empties the demo's folder, or makes it. Throws where it holds something else, or where a demo is still running in it. */
export async function emptyFolder(directory: string): Promise<void> {
  await mkdir(directory, { recursive: true })
  const names = await readdir(directory)
  if (names.length > 0 && !names.includes(MARK)) {
    throw new Error(`${directory} holds something that is not the demo's. Move it away, or start the demo elsewhere.`)
  }
  if (names.includes(ADDRESS)) {
    const url = (await readFile(join(directory, ADDRESS), 'utf8')).trim()
    if (await answers(url)) throw new Error(`A demo is still up at ${url}. Stop it first.`)
  }
  // The mark goes last, so that a folder left half-empty is still known as ours.
  for (const name of names) {
    if (name !== MARK) await rm(join(directory, name), { recursive: true, force: true })
  }
  await writeFile(join(directory, MARK), MARK_TEXT)
}

/** Notes where the demo of this folder is found. */
export async function noteAddress(directory: string, url: string): Promise<void> {
  await writeFile(join(directory, ADDRESS), `${url}\n`)
}

export async function forgetAddress(directory: string): Promise<void> {
  await rm(join(directory, ADDRESS), { force: true })
}

async function answers(url: string): Promise<boolean> {
  try {
    return (await fetch(`${url}/livez`, { signal: AbortSignal.timeout(ANSWER_TIME_MAX_MS) })).ok
  } catch {
    return false // Nobody is there: its process was ended, and only its note was left.
  }
}
