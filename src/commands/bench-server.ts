import 'zod/compile' // First of all imports: schemas built before it stay slow.
import { bareInsert } from './bench/bare-insert.ts'
import { closeLines, openBenchLine } from './bench/line.ts'
import type { ServerAnswer, ServerOrder } from './bench/server-words.ts'

/** The service of a bench in its own process, so that its memory is its own and the client takes none of its time. */

const send = (answer: ServerAnswer) => process.send?.(answer)

try {
  const line = await openBenchLine()
  const { port } = new URL(line.service.url)
  process.on('message', (order: ServerOrder) => {
    answer(order).then(send, (error: unknown) =>
      send({ failed: error instanceof Error ? error.message : String(error) }),
    )
  })
  process.once('disconnect', () => {
    closeLines().finally(() => process.exit(0))
  })
  send({ port: Number(port), token: line.stage.cast.station.token, cited: line.cited })

  async function answer(order: ServerOrder): Promise<ServerAnswer> {
    switch (order.ask) {
      case 'peak':
        // In kilobytes on every system that Node runs on.
        return { peakKb: process.resourceUsage().maxRSS }
      case 'bare-insert':
        return await bareInsert(line.service.database, order.batchId)
    }
  }
} catch (error) {
  send({ failed: error instanceof Error ? error.message : String(error) })
  await closeLines()
  process.exitCode = 1
}
