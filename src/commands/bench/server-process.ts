import { fileURLToPath } from 'node:url'
import type { Cited } from '../demo/bench.ts'
import { startChild } from './child.ts'
import type { ServerAnswer, ServerOrder } from './server-words.ts'

/** A service with a line on it, in a process of its own. */
export interface ServerProcess {
  readonly port: number
  readonly token: string
  readonly cited: Cited
  /** Greatest resident size so far, in megabytes of a million bytes. */
  peakMb(): Promise<number>
  /** Puts the rows of a batch once more into the same tables, with nothing around it. */
  bareInsert(batchId: string): Promise<{ readonly seconds: number; readonly uploads: number }>
  close(): Promise<void>
}

// Beside this folder, whether it runs from src or from dist.
const PROGRAM = fileURLToPath(
  new URL(import.meta.url.endsWith('.ts') ? '../bench-server.ts' : '../bench-server.js', import.meta.url),
)
const BYTES_PER_KB = 1_024
const BYTES_PER_MB = 1_000_000

export async function startServerProcess(): Promise<ServerProcess> {
  const child = startChild<ServerOrder, ServerAnswer>(PROGRAM, { name: 'the process that serves' })
  const opened = await child.told()
  if (!('port' in opened)) throw new Error('the process that serves did not say where it is')
  return {
    ...opened,
    async peakMb() {
      const answer = await child.ask({ ask: 'peak' })
      if (!('peakKb' in answer)) throw new Error('the process that serves did not say its size')
      return (answer.peakKb * BYTES_PER_KB) / BYTES_PER_MB
    },
    async bareInsert(batchId) {
      const answer = await child.ask({ ask: 'bare-insert', batchId })
      if (!('seconds' in answer)) throw new Error('the process that serves did not say how long it took')
      return answer
    },
    close: child.close,
  }
}
