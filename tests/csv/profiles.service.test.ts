import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { iso, type Line, type Wire } from '../support/line.ts'
import { created, expected } from '../support/service.ts'
import { cellsOf, confirmProfile, fileOf, openFileLine, profileContent, sendFile } from './station-files.ts'

/** Profiles of a station: written by one person, confirmed by another, stopped by anyone of them. */
let line: Line
const PATH = '/v1/stations/LDS-F2/profiles'
const MEANING = 'compared with a file of the station'
let number = 0

beforeAll(async () => {
  line = await openFileLine()
})
afterAll(() => line.service.close())

/** A profile that is written and waits for the second person. */
async function written(change: Wire = {}) {
  number += 1
  const content = profileContent(line, number, change)
  const { body } = created(await line.author.post(PATH, { content, changeReason: 'the station was set up anew' }))
  return { profile: number, content, digest: body.digest as string, at: `${PATH}/${number}` }
}
const send = async () => {
  line.setClock(line.now() + 60_000)
  return await sendFile(line, fileOf([cellsOf(line.upload())]))
}

describe('a profile', () => {
  test('reads nothing until a second person has signed its digest', async () => {
    const { at, digest, content, profile } = await written()
    expect((await send()).lines[0].code).toBe('profile-missing')
    const own = await line.service.addPerson('P-0900', ['author', 'approver'])
    const mine = profileContent(line, ++number)
    const { body } = created(await own.post(PATH, { content: mine, changeReason: 'tried' }))
    const alone = await own.sign(`${PATH}/${number}/confirmation`, { digest: body.digest, meaning: MEANING })
    expect(alone).toMatchObject({ status: 403, body: { type: 'urn:limitkeep:problem:two-people-required' } })
    const stale = await line.approver.sign(`${at}/confirmation`, { digest: body.digest, meaning: MEANING })
    expect(stale).toMatchObject({ status: 409, body: { type: 'urn:limitkeep:problem:digest-stale', digest } })
    expect((await line.author.post(`${at}/confirmation`, { digest, meaning: MEANING })).status).toBe(403)
    expect((await send()).lines[0].code).toBe('profile-missing')
    const signed = expected(await line.approver.sign(`${at}/confirmation`, { digest, meaning: MEANING }), 200).body
    expect(signed).toMatchObject({
      profile,
      state: 'confirmed',
      content,
      createdBy: 'P-0101',
      confirmedBy: 'P-0201',
      confirmedMeaning: MEANING,
      effectiveFrom: iso(line.now() + 1),
    })
    expect((await send()).lines).toMatchObject([{ line: 2, status: 201 }])
    const again = await line.approver.sign(`${at}/confirmation`, { digest, meaning: MEANING })
    expect(again).toMatchObject({ status: 409, body: { type: 'urn:limitkeep:problem:state-conflict' } })
  })

  test('takes effect when it is to, and files are read by the one before until then', async () => {
    const { at, digest } = await written({ decimalMark: '.' })
    const passed = { digest, meaning: MEANING, effectiveFrom: iso(line.now()) }
    const type = 'urn:limitkeep:problem:effective-instant-passed'
    expect(await line.approver.sign(`${at}/confirmation`, passed)).toMatchObject({ status: 409, body: { type } })
    const effectiveFrom = iso(line.now() + 600_000)
    expected(await line.approver.sign(`${at}/confirmation`, { digest, meaning: MEANING, effectiveFrom }), 200)
    expect((await send()).lines).toMatchObject([{ status: 201 }])
    line.setClock(line.now() + 600_000)
    expect((await send()).lines).toMatchObject([{ status: 422, code: 'decimal-mark-wrong', profile: number }])
  })

  test('is stopped by one person at once, and no earlier one comes back', async () => {
    await confirmProfile(line, profileContent(line, ++number))
    const at = `${PATH}/${number}`
    expect((await send()).lines).toMatchObject([{ status: 201 }])
    expect((await line.author.post(`${at}/withdrawal`, {})).status).toBe(422)
    expect((await line.analyst.post(`${at}/withdrawal`, { reason: 'wrong unit' })).status).toBe(403)
    const stopped = expected(await line.author.post(`${at}/withdrawal`, { reason: 'wrong unit' }), 200).body
    expect(stopped).toMatchObject({ state: 'withdrawn', withdrawnBy: 'P-0101', withdrawnReason: 'wrong unit' })
    expect((await send()).lines[0]).toMatchObject({ code: 'profile-missing', profile: null })
    expect((await line.author.post(`${at}/withdrawal`, { reason: 'again' })).status).toBe(409)
    await confirmProfile(line, profileContent(line, ++number))
    expect((await send()).lines).toMatchObject([{ status: 201 }])
  })

  test('is refused where it names another station, a number that is taken, or a place of nobody', async () => {
    const post = async (change: Wire, path = PATH) =>
      await line.author.post(path, { content: profileContent(line, number + 1, change), changeReason: 'tried' })
    const pointers = async (change: Wire) => (await post(change)).body.errors.map((one: Wire) => one.pointer)
    expect(await pointers({ station: 'LDS-F3' })).toEqual(expect.arrayContaining(['#/content/template/station']))
    expect(await pointers({ decimalMark: ';' })).toContain('#/content/decimalMark')
    expect(await pointers({ separator: ',' })).toContain('#/content/decimalMark')
    expect(await pointers({ columns: [{ header: 'a', at: '/a/b', as: 'text' }] })).toContain('#/content/columns/0/at')
    const long = { station: 'LDS-F2', note: 'x'.repeat(70_000) }
    expect(await pointers({ template: long, columns: [{ header: 'a', at: '/serial', as: 'text' }] })).toEqual([
      '#/content',
    ])
    expect((await post({ profile: number })).body.type).toBe('urn:limitkeep:problem:already-exists')
    expect((await post({}, '/v1/stations/LDS-F3/profiles')).status).toBe(422)
    const nowhere = {
      station: 'nowhere',
      template: { station: 'nowhere' },
      columns: [{ header: 'a', at: '/b', as: 'text' }],
    }
    expect((await post(nowhere, '/v1/stations/nowhere/profiles')).status).toBe(404)
    expect((await line.approver.post(PATH, { content: profileContent(line, number + 1) })).status).toBe(403)
    const silent = await line.author.post(PATH, { content: profileContent(line, number + 1) })
    expect(silent).toMatchObject({ status: 422, body: { errors: [{ pointer: '#/changeReason' }] } })
  })

  test('is listed with its files over both interfaces', async () => {
    const listed = expected(await line.analyst.get(`${PATH}?limit=2`), 200).body
    expect(listed.items.map((one: Wire) => [one.profile, one.state])).toEqual([
      [1, 'confirmed'],
      [2, 'in-review'],
    ])
    const rest = expected(await line.analyst.get(`${PATH}?cursor=${listed.nextCursor}`), 200).body
    expect(rest.items).toHaveLength(number - 2)
    expect((await line.analyst.get('/v1/stations/nowhere/profiles')).status).toBe(404)
    expect((await line.analyst.get(`${PATH}/999`)).status).toBe(404)
    const files = expected(await line.analyst.get('/v1/stations/LDS-F2/files?limit=500'), 200).body.items
    const sent = files.map(({ receivedAt }: Wire) => receivedAt)
    expect(sent).toEqual([...sent].sort().reverse())
    const query = `{ station(station: "LDS-F2") {
      profiles(first: 2) { edges { node { profile state content digest } } }
      files(first: 50) { edges { node { fileId rows profileDigest fault { code row header offset } } } } } }`
    const { data, errors } = expected(await line.analyst.post('/graphql', { query }), 200).body
    expect(errors).toBeUndefined()
    expect(data.station.profiles.edges.map(({ node }: Wire) => node.digest)).toEqual(
      listed.items.map(({ digest }: Wire) => digest),
    )
    expect(data.station.files.edges.map(({ node }: Wire) => [node.fileId, node.rows])).toEqual(
      files.map(({ fileId, rows }: Wire) => [fileId, rows]),
    )
  })
})
