import type { ListedUpload } from '../intake/answer-words.ts'
import type { Verdict as VerdictWord } from '../judging/words.ts'
import { type GraphBuilder, type GraphEnum, type GraphObject, wordsEnum } from '../platform/http/graphql/builder.ts'
import type { Services } from '../platform/http/server.ts'
import { writeCorrection } from './corrections.ts'
import { readCorrectionsOf } from './reads.ts'
import { type CorrectedNumber, type CorrectionAnswer, correctedMembers } from './words.ts'

/** Corrections of a run, with what each made of its verdict. */
export function graphCorrections(
  builder: GraphBuilder,
  { database }: Pick<Services, 'database'>,
  { Run, Verdict }: { readonly Run: GraphObject<ListedUpload>; readonly Verdict: GraphEnum<VerdictWord> },
): void {
  const Correction = builder.objectRef<CorrectionAnswer>('Correction')
  const Corrected = builder.objectRef<CorrectedNumber>('CorrectedNumber')
  const Member = wordsEnum(builder, 'CorrectedMember', correctedMembers)
  Corrected.implement({
    fields: (t) => ({
      value: t.expose('value', { type: 'Decimal' }),
      unit: t.exposeString('unit'),
      relation: t.field({ type: 'String', resolve: ({ relation }) => relation ?? '=' }),
    }),
  })
  Correction.implement({
    description: 'A correction of what was sent of a run. What was sent first stays.',
    fields: (t) => ({
      correctionId: t.exposeString('correctionId'),
      runId: t.exposeString('runId'),
      step: t.exposeString('step'),
      measurement: t.exposeString('measurement'),
      member: t.expose('member', { type: Member }),
      from: t.field({ type: Corrected, nullable: true, resolve: ({ from }) => from }),
      to: t.field({ type: Corrected, resolve: ({ to }) => to }),
      reason: t.exposeString('reason'),
      digest: t.exposeString('digest', { description: 'What the second person signs.' }),
      verdictBefore: t.expose('verdictBefore', { type: Verdict }),
      verdictAfter: t.expose('verdictAfter', { type: Verdict }),
      inEffect: t.exposeBoolean('inEffect'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      recordedBy: t.exposeString('recordedBy'),
      confirmedAt: t.expose('confirmedAt', { type: 'Instant', nullable: true }),
      confirmedBy: t.exposeString('confirmedBy', { nullable: true }),
      meaning: t.exposeString('meaning', { nullable: true }),
    }),
  })
  builder.objectField(Run, 'corrections', (t) =>
    t.loadableList({
      type: Correction,
      description: 'In the order in which they were made; what was sent first stays.',
      load: async (runIds: string[]) => {
        const byRun = await readCorrectionsOf(database.sql, runIds)
        return runIds.map((runId) => (byRun.get(runId) ?? []).map(writeCorrection))
      },
      resolve: ({ runId }) => runId,
    }),
  )
}
