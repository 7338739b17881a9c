import { fileURLToPath } from 'node:url'
import { startChild } from './child.ts'
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
  const child = startChild<LoadOrder, LoadAnswer>(PROGRAM, {
    name: 'the process that makes the load',
    // What its parent is profiled with is not for it.
    execArgv: process.execArgv.filter((one) => !one.startsWith('--cpu-prof')),
  })
  return {
    async order(order, status) {
      const answer = await child.ask(order)
      const { answers } = answer.report
      const others = Object.keys(answers).filter((one) => Number(one) !== status)
      if (others.length > 0) throw new Error(`${order.path} answered ${JSON.stringify(answers)}`)
      return answer.report
    },
    close: child.close,
  }
}
