import { type ChildProcess, fork } from 'node:child_process'
import { once } from 'node:events'

/** A process of a bench that answers orders one after the other. */
export interface Child<Order, Answer> {
  /** The next message that it sends. Fails where it says that it failed, or ends before. */
  told(): Promise<Answer>
  /** Sends an order and waits for the answer to it. */
  ask(order: Order): Promise<Answer>
  close(): Promise<void>
}

interface Waiting<Answer> {
  readonly resolve: (answer: Answer) => void
  readonly reject: (error: Error) => void
}

/** Starts a program. Its messages go to whoever has waited longest; those that come before anybody waits are kept. */
export function startChild<Order extends object, Answer extends object>(
  program: string,
  { name, execArgv = process.execArgv }: { readonly name: string; readonly execArgv?: readonly string[] },
): Child<Order, Exclude<Answer, { failed: string }>> {
  type Good = Exclude<Answer, { failed: string }>
  const child: ChildProcess = fork(program, [], { execArgv: [...execArgv] })
  const waiting: Waiting<Good>[] = []
  const kept: Answer[] = []
  const give = ({ resolve, reject }: Waiting<Good>, answer: Answer) => {
    if ('failed' in answer) reject(new Error(String(answer.failed)))
    else resolve(answer as Good)
  }
  child.on('message', (answer: Answer) => {
    const first = waiting.shift()
    if (first === undefined) kept.push(answer)
    else give(first, answer)
  })
  // Only after it all that was said has come, the reason why it ended too.
  child.once('disconnect', () => {
    for (const { reject } of waiting.splice(0)) reject(new Error(`${name} ended`))
  })
  const told = () =>
    new Promise<Good>((resolve, reject) => {
      const answer = kept.shift()
      if (answer !== undefined) give({ resolve, reject }, answer)
      else if (!child.connected) reject(new Error(`${name} ended`))
      else waiting.push({ resolve, reject })
    })
  return {
    told,
    ask(order) {
      const answered = told()
      if (child.connected) child.send(order)
      return answered
    },
    async close() {
      if (child.exitCode !== null || child.signalCode !== null) return
      const ended = once(child, 'exit')
      if (child.connected) child.disconnect()
      await ended
    },
  }
}
