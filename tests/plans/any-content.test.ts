import fc from 'fast-check'
import { expect, test } from 'vitest'
import { checkPlanContent } from '../../src/plans/content-check.ts'
import { PlanContentWire } from '../../src/plans/words.ts'
import { planWire } from '../support/aldermoor.ts'
import { type Changes, changed, check, product } from './aldermoor.ts'

/** Pointers to everything in the content. */
function pointersIn(value: unknown, at = ''): string[] {
  if (typeof value !== 'object' || value === null) return [at]
  return [at, ...Object.entries(value).flatMap(([name, member]) => pointersIn(member, `${at}/${name}`))]
}

const pointers = pointersIn(planWire).filter((pointer) => pointer !== '')
const values = pointersIn(planWire).map((pointer) => {
  let at: unknown = planWire
  for (const name of pointer.split('/').slice(1)) at = (at as Record<string, unknown>)[name]
  return at
})
const hostile = [
  null,
  undefined,
  '',
  '0',
  '-1',
  '1e30',
  '1e-30',
  'NaN',
  0,
  1.5,
  true,
  [],
  {},
  '__proto__',
  'live',
  '1 / 0',
]

test('whatever is sent is read or refused, and what is read is checked, without a throw', () => {
  let readCount = 0
  let soundCount = 0
  const replacement = fc.oneof(fc.constantFrom(...hostile), fc.constantFrom(...values))
  fc.assert(
    fc.property(
      fc.array(fc.tuple(fc.constantFrom(...pointers), replacement), { minLength: 1, maxLength: 2 }),
      (given) => {
        // A later pointer may lead into what an earlier one took away; the deeper one is left out then.
        const changes: Changes = Object.fromEntries(
          given.filter(([pointer]) => !given.some(([other]) => pointer !== other && pointer.startsWith(`${other}/`))),
        )
        const read = PlanContentWire.safeParse(changed(planWire, changes))
        if (!read.success) return
        readCount += 1
        const refusals = checkPlanContent(read.data, product())
        for (const { pointer, detail } of refusals)
          expect([pointer.startsWith('/'), detail !== '']).toEqual([true, true])
        const { verdict } = check({ changes })
        if (refusals.length > 0) return
        soundCount += 1
        expect(verdict === 'not-checkable').toBe(read.data.productDigest !== planWire.productDigest)
      },
    ),
    { numRuns: 1000 },
  )
  // The test says something only if a fair share gets so far.
  expect(readCount).toBeGreaterThan(50)
  expect(soundCount).toBeGreaterThan(10)
})
