import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { startChild } from '../../src/commands/bench/child.ts'

type Order = { readonly echo: number } | { readonly fail: string } | { readonly end: true }
type Answer = { readonly echoed: number } | { readonly failed: string }

const PROGRAM = `process.send({ echoed: 0 })
process.on('message', (order) => {
  if ('end' in order) process.exit(0)
  process.send('fail' in order ? { failed: order.fail } : { echoed: order.echo })
})
process.once('disconnect', () => process.exit(0))`

let folder: string
let program: string
const warnings: Error[] = []
const onWarning = (warning: Error) => warnings.push(warning)

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'bench-child-'))
  program = join(folder, 'program.cjs')
  writeFileSync(program, PROGRAM)
  process.on('warning', onWarning)
})
afterAll(() => {
  process.off('warning', onWarning)
  rmSync(folder, { recursive: true })
})
const start = () => startChild<Order, Answer>(program, { name: 'the echo', execArgv: [] })

test('orders are answered in their order, however many, and no listener is left behind', async () => {
  const child = start()
  expect(await child.told()).toEqual({ echoed: 0 })
  for (let number = 1; number <= 20; number += 1) expect(await child.ask({ echo: number })).toEqual({ echoed: number })
  const together = Array.from({ length: 20 }, (_, index) => child.ask({ echo: index }))
  expect(await Promise.all(together)).toEqual(together.map((_, index) => ({ echoed: index })))
  await child.close()
  await child.close()
  expect(warnings).toEqual([])
})

test('what failed says why; of one that ended nothing more is waited for', async () => {
  const child = start()
  await child.told()
  await expect(child.ask({ fail: 'no line' })).rejects.toThrow('no line')
  await expect(child.ask({ end: true })).rejects.toThrow('the echo ended')
  await expect(child.ask({ echo: 1 })).rejects.toThrow('the echo ended')
  await child.close()
})
