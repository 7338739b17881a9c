import { expect } from 'vitest'
import { type Client, created, expected } from '../support/service.ts'
import type { FileCase } from './case.ts'
import { bytesOf, compareRows, contentOf } from './files-pure.ts'
import type { House } from './http.ts'
import type { Scene } from './scene.ts'

/** Runs the files of a case over HTTP, each at a station of its own whose profile two persons declare. */
export async function runFilesHttp(house: House, { given, at }: Scene): Promise<void> {
  for (const [index, file] of given.files.entries()) {
    house.until(at('23:00') + index * 10_000)
    const station = `${given.case}-F${index + 1}`
    const { administrator, addKey } = house.service
    created(await administrator.post('/v1/stations', { station, site: 'leeds', name: file.name, linked: 'automatic' }))
    const key = await addKey({ kind: 'station', station })
    await declare(house, file, station)
    house.until(at('23:00') + index * 10_000 + 1_000)
    await send(house, file, station, key)
  }
}

async function declare({ author, approver }: House, file: FileCase, station: string): Promise<void> {
  const { profileRefused } = file.expect
  const path = `/v1/stations/${station}/profiles`
  const written = await author.post(path, { content: contentOf(file, station) })
  if (profileRefused !== undefined) {
    const { errors } = expected(written, 422).body
    expect(errors.map(({ pointer }: { pointer: string }) => pointer)).toContain(`#/content${profileRefused}`)
    return
  }
  const body = { digest: created(written).body.digest, meaning: 'compared with a file of the station' }
  expected(await approver.sign(`${path}/1/confirmation`, body), 200)
}

async function send({ service, author }: House, file: FileCase, station: string, key: Client): Promise<void> {
  const ask = (token: string | undefined) => ({ authorization: `Bearer ${token}` })
  const { server } = service.app
  const reply = await server.inject({
    method: 'POST',
    url: `/v1/stations/${station}/files`,
    headers: { ...ask(key.token), 'content-type': 'text/csv' },
    payload: bytesOf(file),
  })
  const raw = async (path: string) => (await server.inject({ url: path, headers: ask(author.token) })).rawPayload
  const { fault } = file.expect
  if (fault !== undefined) {
    const problem = JSON.parse(reply.body)
    expect([reply.statusCode, problem.type]).toEqual([422, 'urn:limitkeep:problem:file-refused'])
    const none = { column: null, header: null }
    expect(problem, file.name).toMatchObject({ ...none, ...fault })
    expect(await raw(`/v1/files/${problem.fileId}/raw`)).toEqual(bytesOf(file))
    // Nothing of it is stored as a result.
    expect(expected(await author.get(`/v1/runs?station=${station}`), 200).body.items).toEqual([])
    return
  }
  expect(reply.statusCode, reply.body).toBe(200)
  const lines = reply.body.split('\n').filter((line) => line !== '')
  const uploads = lines.map(async (line) => JSON.parse(String(await raw(`/v1/runs/${JSON.parse(line).runId}/raw`))))
  compareRows(file, await Promise.all(uploads))
}
