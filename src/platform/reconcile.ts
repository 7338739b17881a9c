import type { Log } from './log.ts'

export interface ReconcilerOptions {
  readonly name: string
  /** Milliseconds between looks where nobody nudges. */
  readonly everyMs: number
  /**
   * Finds what is behind and repairs one page of it; takes no input on purpose, since what is behind is read from the
   * tables. Safe to run twice, or in two processes.
   */
  step(): Promise<'settled' | 'more'>
  readonly log: Log
}

export interface Reconciler {
  /** Something may be behind: look now. A nudge while a step runs leads to one more look after it. */
  nudge(): void
  /** No step begins any more; resolves when the one under way has ended. */
  stop(): Promise<void>
}

/** After a failure the next try waits this long, doubled each time up to `everyMs` (or this, where that is shorter). */
const FAILURE_WAIT_FIRST_MS = 250

/** Looks at once, then after each nudge and every `everyMs`. A failing step is logged and tried again, for ever. */
export function startReconciler(options: ReconcilerOptions): Reconciler {
  let isStopped = false
  let isNudged = false
  let wake: (() => void) | undefined

  function sleep(ms: number): Promise<void> {
    return new Promise((resolve) => {
      const timer = setTimeout(resolve, ms)
      timer.unref()
      wake = () => {
        clearTimeout(timer)
        resolve()
      }
    })
  }

  async function run(): Promise<void> {
    let failures = 0
    while (!isStopped) {
      isNudged = false
      let waitMs = options.everyMs
      try {
        if ((await options.step()) === 'more') waitMs = 0
        failures = 0
      } catch (error) {
        waitMs = Math.max(Math.min(FAILURE_WAIT_FIRST_MS * 2 ** failures, options.everyMs), FAILURE_WAIT_FIRST_MS)
        failures = Math.min(failures + 1, 20)
        // One failure may be a database that restarts; repeated ones need a person.
        const level = failures < 5 ? 'warn' : 'error'
        options.log[level](
          { err: error, reconciler: options.name, failures },
          'A reconciler failed and will try again.',
        )
      }
      if (isStopped) return
      // Even between pages others get their turn.
      if (waitMs === 0 || isNudged) await new Promise((resolve) => setImmediate(resolve))
      else await sleep(waitMs)
      wake = undefined
    }
  }

  const ended = run()
  return {
    nudge() {
      isNudged = true
      wake?.()
    },
    async stop() {
      isStopped = true
      wake?.()
      await ended
    },
  }
}
