import { fork } from 'node:child_process'
import { once } from 'node:events'
import { fileURLToPath } from 'node:url'
import type { LoadAnswer, LoadOrder, LoadReport } from './load-words.ts'

/** The generator of load in its own process. One order at a time. */
export interface LoadProcess {
  /** @throws where anything was answered with another status than `status` */
  order(order: LoadOrder, status: number): Promise<LoadReport>
  close(): Promise<void>
}

// Beside this folder, whether it runs from src or from dist.
const PROGRAM = fileURLToPath(
  new URL(import.meta.url.endsWith('.ts') ? '../bench-load.ts' : '../bench-load.js', import.meta.url),
)

export function startLoadProcess(): LoadProcess {
  // What its parent is profiled with is not for it.
  const child = fork(PROGRAM, [], { execArgv: process.execArgv.filter((one) => !one.startsWith('--cpu-prof')) })
  return {
    async order(order, status) {
      const answered = Promise.race([
        once(child, 'message') as Promise<[LoadAnswer]>,
        once(child, 'exit').then(() => Promise.reject(new Error('the process that makes the load ended'))),
      ])
      child.send(order)
      const [answer] = await answered
      if ('failed' in answer) throw new Error(`the load could not be made: ${answer.failed}`)
      const { answers } = answer.report
      const others = Object.keys(answers).filter((one) => Number(one) !== status)
      if (others.length > 0) throw new Error(`${order.path} answered ${JSON.stringify(answers)}`)
      return answer.report
    },
    async close() {
      const ended = once(child, 'exit')
      child.disconnect()
      await ended
    },
  }
}
