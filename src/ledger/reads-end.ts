/** Tells those who wait at the end of the feed that it has moved. */
export interface FeedEnd {
  /** The index that the next entry will get, as just read. */
  moved(next: number): void
  /** Resolves once the end lies beyond `next`, or `milliseconds` have passed, or the signal fires, or all is closed. */
  beyond(next: number, options: { readonly milliseconds: number; readonly signal: AbortSignal }): Promise<void>
  /** Lets everyone go; nobody waits any more. */
  close(): void
  readonly isClosed: boolean
}

export function feedEnd(): FeedEnd {
  const waiting = new Set<{ readonly next: number; go(): void }>()
  let end = 0
  let isClosed = false
  return {
    get isClosed() {
      return isClosed
    },
    moved(next) {
      end = next
      for (const one of [...waiting]) if (end > one.next) one.go()
    },
    beyond(next, { milliseconds, signal }) {
      if (isClosed || signal.aborted || end > next || milliseconds <= 0) return Promise.resolve()
      return new Promise((resolve) => {
        const go = () => {
          clearTimeout(timer)
          signal.removeEventListener('abort', go)
          waiting.delete(one)
          resolve()
        }
        const one = { next, go }
        const timer = setTimeout(go, milliseconds)
        timer.unref()
        signal.addEventListener('abort', go)
        waiting.add(one)
      })
    },
    close() {
      isClosed = true
      for (const one of [...waiting]) one.go()
    },
  }
}
