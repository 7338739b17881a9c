import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest'
import { silentLog } from '../../src/platform/log.ts'
import { type ReconcilerOptions, startReconciler } from '../../src/platform/reconcile.ts'

beforeEach(() => void vi.useFakeTimers({ toFake: ['setTimeout', 'clearTimeout'] }))
afterEach(() => void vi.useRealTimers())

/** Lets what is due happen: steps are promises, and pages are parted by setImmediate, which stays real. */
async function settle(): Promise<void> {
  for (let turn = 0; turn < 20; turn += 1) await new Promise((resolve) => setImmediate(resolve))
}

function start(step: ReconcilerOptions['step'], log = silentLog) {
  return startReconciler({ name: 'sweep', everyMs: 10_000, step, log })
}

describe('a reconciler', () => {
  test('looks at once, page after page until settled, and again after its time', async () => {
    const answers: ('settled' | 'more')[] = ['more', 'more', 'settled', 'settled']
    const step = vi.fn(async () => answers.shift() ?? 'settled')
    const reconciler = start(step)
    await settle()
    expect(step).toHaveBeenCalledTimes(3)
    await vi.advanceTimersByTimeAsync(9_999)
    expect(step).toHaveBeenCalledTimes(3)
    await vi.advanceTimersByTimeAsync(1)
    await settle()
    expect(step).toHaveBeenCalledTimes(4)
    await reconciler.stop()
  })

  test('a nudge wakes it, and one during a step leads to one more look', async () => {
    let finish: () => void = () => undefined
    const step = vi.fn(
      () =>
        new Promise<'settled'>((resolve) => {
          finish = () => resolve('settled')
        }),
    )
    const reconciler = start(step)
    reconciler.nudge()
    reconciler.nudge()
    expect(step).toHaveBeenCalledTimes(1)
    finish()
    await settle()
    expect(step).toHaveBeenCalledTimes(2)
    finish()
    await settle()
    expect(step).toHaveBeenCalledTimes(2)
    reconciler.nudge()
    await settle()
    expect(step).toHaveBeenCalledTimes(3)
    finish()
    await reconciler.stop()
  })

  test('a failing step is said and tried again, ever more slowly; after five it is an error', async () => {
    const said: string[] = []
    const log = { ...silentLog, warn: () => said.push('warn'), error: () => said.push('error') }
    let fails = 6
    const step = vi.fn(async () => {
      if (fails-- > 0) throw new Error('no')
      return 'settled' as const
    })
    const reconciler = start(step, log)
    await settle()
    expect(step).toHaveBeenCalledTimes(1)
    for (const waitMs of [250, 500, 1_000, 2_000, 4_000, 8_000]) {
      const calls = step.mock.calls.length
      await vi.advanceTimersByTimeAsync(waitMs - 1)
      expect(step).toHaveBeenCalledTimes(calls)
      await vi.advanceTimersByTimeAsync(1)
      await settle()
      expect(step).toHaveBeenCalledTimes(calls + 1)
    }
    expect(said).toEqual(['warn', 'warn', 'warn', 'warn', 'error', 'error'])
    await reconciler.stop()
  })

  test('stopping waits for the step under way and begins no other', async () => {
    let finish: () => void = () => undefined
    const step = vi.fn(
      () =>
        new Promise<'more'>((resolve) => {
          finish = () => resolve('more')
        }),
    )
    const reconciler = start(step)
    let isStopped = false
    const stopped = reconciler.stop().then(() => {
      isStopped = true
    })
    await settle()
    expect(isStopped).toBe(false)
    finish()
    await stopped
    expect(step).toHaveBeenCalledTimes(1)
  })
})
