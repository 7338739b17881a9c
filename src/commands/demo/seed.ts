import { readFile } from 'node:fs/promises'
import { z } from 'zod'

/** Content as it lies in the folder seed/aldermoor: the body of the request that writes it. */
const DraftWire = z.strictObject({
  content: z.record(z.string(), z.unknown()),
  changeReason: z.string().optional(),
})
export type Draft = z.infer<typeof DraftWire>

// Three levels up from here lies the project, whether this runs from src or from dist.
const FOLDER = new URL('../../../seed/aldermoor/', import.meta.url)

/** A draft by the name of its file, without its ending. */
export async function readDraft(name: string): Promise<Draft> {
  return DraftWire.parse(await readJsonFile(name))
}

export async function readJsonFile(name: string): Promise<unknown> {
  return JSON.parse(await readFile(new URL(`${name}.json`, FOLDER), 'utf8'))
}

/** The next revision of a plan: the same content with another number, and other settings in the steps named. */
export function reviseDraft(
  { content }: Draft,
  change: {
    readonly revision: number
    readonly changeReason: string
    readonly steps: Readonly<Record<string, Readonly<Record<string, unknown>>>>
  },
): Draft {
  const steps = z.array(z.looseObject({ step: z.string() })).parse(content['steps'])
  return {
    content: {
      ...content,
      revision: change.revision,
      steps: steps.map((step) => ({ ...step, ...change.steps[step.step] })),
    },
    changeReason: change.changeReason,
  }
}
