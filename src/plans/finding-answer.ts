import { z } from 'zod'
import { findingSentence } from './finding-sentences.ts'
import { type Finding, StoredFindingWire, writeFinding } from './findings.ts'

/** A finding in an answer. */
export const FindingWire = StoredFindingWire.extend({
  sentence: z.string().describe('The same in words; may be reworded'),
}).meta({ id: 'Finding' })

export function answerFinding(finding: Finding): z.infer<typeof FindingWire> {
  return withSentence(writeFinding(finding))
}

/** A stored finding, with the sentence of today. */
export function withSentence(stored: z.infer<typeof StoredFindingWire>): z.infer<typeof FindingWire> {
  return { ...stored, sentence: findingSentence(stored) }
}
