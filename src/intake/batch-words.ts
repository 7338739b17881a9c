import { z } from 'zod'
import { InstantWire } from '../exact/time.ts'
import { ProblemWire } from '../platform/problems.ts'
import { AnswerWire, listedOutcomes } from './answer-words.ts'

/** How a batch ended, each with what it means for the sender. Stored for ever. */
export const batchReasons = {
  complete: 'All of it was taken.',
  'client-gone': 'The connection broke; every line that had arrived whole was taken.',
  idle: 'No byte came for 30 s; every line that had arrived whole was taken.',
  'stream-broken': 'The stream could not be read on; every line before the break was taken.',
  'key-revoked': 'The access key was revoked meanwhile; what was answered before stays.',
  interrupted: 'The service could not take more; send what has no answer again, under the same upload keys.',
} as const
export type BatchReason = keyof typeof batchReasons

const reasons = Object.keys(batchReasons) as [BatchReason, ...BatchReason[]]

export const BatchParams = z.strictObject({ batchId: z.string().min(1).max(64) })

/** How many lines came to each outcome, member by member: a record would publish names without their types. */
const CountsOfOutcomes = Object.fromEntries(listedOutcomes.map((outcome) => [outcome, z.int()])) as Record<
  (typeof listedOutcomes)[number],
  z.ZodInt
>

export const BatchWire = z
  .strictObject({
    batchId: z.string(),
    site: z.string(),
    sender: z.string().describe('The access key it came with'),
    receivedAt: InstantWire.describe('When it began to arrive'),
    endedAt: InstantWire.nullable().describe('Null while it is coming in, or where the service died under it'),
    complete: z.boolean().describe('Every line of it was taken and has its answer'),
    reason: z.enum(reasons).nullable(),
    detail: z.string().nullable(),
    lines: z.int().describe('Lines with an answer'),
    counts: z.strictObject(CountsOfOutcomes),
  })
  .meta({ id: 'Batch' })
export type Batch = z.infer<typeof BatchWire>

const LineNumber = z.int().min(1).describe('Counted from 1; empty lines are not counted')

/** One line of the answer to a batch. */
export const BatchLineWire = z
  .union([
    AnswerWire.extend({ line: LineNumber, status: z.union([z.literal(201), z.literal(202)]) }),
    ProblemWire.extend({
      line: LineNumber.optional().describe('Left out in the last line, which says why the batch is not complete'),
    }),
  ])
  .meta({
    id: 'BatchLine',
    description:
      'The answer to one line as it would be to the upload alone: with 201 and 202 the run answer, else the problem.',
  })

/** The answer to a question that stores nothing. */
export const CheckAnswerWire = AnswerWire.extend({
  runId: z.null(),
  attempt: z.null(),
  evidence: z.null(),
  release: z.null(),
  stored: z.literal(false),
  status: z.union([z.literal(201), z.literal(202), z.literal(422)]).describe('What an upload of it would be answered'),
}).meta({ id: 'RunCheckAnswer' })
