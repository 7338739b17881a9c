import { afterAll, beforeAll, test } from 'vitest'
import { conformanceCases } from './case.ts'
import { runFilesHttp } from './files-http.ts'
import { type House, openHouse, runHttp } from './http.ts'
import { runRefusedTablesHttp } from './refused-tables.ts'
import { sceneOf } from './scene.ts'

let house: House

beforeAll(async () => {
  house = await openHouse()
})
afterAll(() => house?.service.close())

// In their order: each has a day of its own, and the clock only goes on.
test.each(conformanceCases.map((given, index) => [given.case, given.title, index] as const))(
  '%s, over HTTP: %s',
  async (_, __, index) => {
    const given = conformanceCases[index]
    if (given === undefined) throw new Error('a case is missing')
    await runHttp(house, sceneOf(given, index))
    await runFilesHttp(house, sceneOf(given, index))
    await runRefusedTablesHttp(house, sceneOf(given, index))
  },
)
