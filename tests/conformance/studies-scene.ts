import { expect } from 'vitest'
import type { MeasurementFound } from '../../src/studies/words.ts'
import type { StudyCase } from './case.ts'
import { numberText } from './scene.ts'

/** What a study listed, as either runner knows it. */
export interface ListedFound {
  /** The name of the upload; undefined where the run is none of the case. */
  readonly of: string | undefined
  readonly shipState: string
  readonly verdictBefore: string
  readonly verdictAfter: string
  readonly measurements: readonly MeasurementFound[]
}

/** All findings in their order, and of each all measurements that are listed. */
export function compareStudy(given: StudyCase, found: readonly ListedFound[]): void {
  const shown = found.map(({ of, shipState, verdictBefore, verdictAfter, measurements }) => ({
    of,
    shipState,
    verdictBefore,
    verdictAfter,
    measurements: measurements.map((one) => ({
      step: one.step,
      measurement: one.measurement,
      verdictBefore: one.verdictBefore,
      verdictAfter: one.verdictAfter,
      judgedBefore: numberText(one.judgedBefore),
      judgedAfter: numberText(one.judgedAfter),
      limitUpperBefore: numberText(one.limitUpperBefore),
      limitUpperAfter: numberText(one.limitUpperAfter),
      margin: numberText(one.margin),
    })),
  }))
  expect(shown, given.study).toEqual(given.findings)
}
