import { existsSync } from 'node:fs'
import { expect, test } from 'vitest'
import { conformanceCases } from './case.ts'
import { runFilesPure } from './files-pure.ts'
import { runPure } from './pure.ts'
import { runRefusedTablesPure } from './refused-tables.ts'
import { sceneOf } from './scene.ts'
import { runSigningsPure } from './signings-pure.ts'

test.each(conformanceCases.map((given, index) => [given.case, given.title, index] as const))(
  '%s, by the functions that decide: %s',
  (_, __, index) => {
    const given = conformanceCases[index]
    if (given === undefined) throw new Error('a case is missing')
    runPure(sceneOf(given, index))
    runFilesPure(given)
    runSigningsPure(sceneOf(given, index))
    runRefusedTablesPure(sceneOf(given, index))
  },
)

test('every kind of case is generalised somewhere', () => {
  const files = new Set(conformanceCases.flatMap(({ generalisedIn }) => generalisedIn))
  for (const file of files) expect(existsSync(new URL(`../../${file}`, import.meta.url)), file).toBe(true)
})

test('every case asks for something', () => {
  for (const { case: name, uploads, revisions, units, files, tables } of conformanceCases) {
    const asks =
      uploads.length +
      units.length +
      files.length +
      tables.filter(({ overlap }) => overlap).length +
      revisions.filter(({ blocking, refused, findings }) => blocking ?? refused ?? findings[0]).length
    expect(asks, name).toBeGreaterThan(0)
  }
})
