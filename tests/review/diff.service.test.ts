import { afterAll, beforeAll, expect, test } from 'vitest'
import { type Changes, changed } from '../plans/aldermoor.ts'
import { ex36, planWire } from '../support/aldermoor.ts'
import { created, expected, type PersonClient, startTestService, type TestService } from '../support/service.ts'

/** The route to a diff. What it says is tested in diff.test.ts. */

const REVISIONS = '/v1/plans/ex36-final/revisions'

let service: TestService
let author: PersonClient
const digests = new Map<number, string>()

beforeAll(async () => {
  service = await startTestService()
  author = await service.addPerson('P-0100', ['author'])
  const site = { site: 'leeds', name: 'Leeds', timeZone: 'Europe/London', openedAt: '2020-01-01T00:00:00Z' }
  created(await service.administrator.post('/v1/sites', site))
  const version = created(await author.post('/v1/products/EX36/versions', { content: ex36(), changeReason: 'first' }))
  const write = async (revision: number, changes: Changes) => {
    const content = changed(planWire, { '/productDigest': version.body.digest, '/revision': revision, ...changes })
    const { body } = created(await author.post(REVISIONS, { content, changeReason: 'as told' }))
    digests.set(revision, body.digest)
  }
  await write(5, {})
  // Three amperes of trip in place of five; the same dwell in other digits.
  await write(7, { '/steps/1/tripCurrent': { value: '3', unit: 'mA' }, '/steps/0/dwell/set': '2' })
  await write(8, { '/steps/1/tripCurrent': { value: '6000', unit: 'uA' } })
})
afterAll(() => service.close())

test('a revision is compared with the one before it', async () => {
  const { body } = expected(await author.get(`${REVISIONS}/7/diff`), 200)
  expect(body).toEqual({
    plan: 'ex36-final',
    from: { revision: 5, digest: digests.get(5) },
    to: { revision: 7, digest: digests.get(7) },
    tightened: true,
    loosened: false,
    summary: { tightened: 1, loosened: 0, added: 0, removed: 0, changed: 0, reworded: 0, renamed: 0, reordered: 0 },
    changes: [
      {
        path: '/steps/1/tripCurrent',
        step: 'strength',
        measurement: null,
        variants: null,
        member: 'tripCurrent',
        kind: 'tightened',
        from: { value: '5', unit: 'mA' },
        to: { value: '3', unit: 'mA' },
        changePercent: '-40',
        sentence: 'Step strength: the trip current was tightened: 5 mA before, 3 mA now (-40 %).',
      },
    ],
  })
})

test('or with any other of its plan, in either direction', async () => {
  const [later] = expected(await author.get(`${REVISIONS}/8/diff?against=5`), 200).body.changes
  expect(later).toMatchObject({ kind: 'loosened', to: { value: '6000', unit: 'uA' }, changePercent: '20' })
  const [earlier] = expected(await author.get(`${REVISIONS}/5/diff?against=8`), 200).body.changes
  expect(earlier).toMatchObject({ kind: 'tightened', from: { value: '6000', unit: 'uA' }, changePercent: '-16.7' })
  expect(expected(await author.get(`${REVISIONS}/8/diff?against=8`), 200).body.changes).toEqual([])
})

test('where one of the two is not there it is named', async () => {
  const detailOf = async (path: string) => expected(await author.get(path), 404).body.detail
  expect(await detailOf(`${REVISIONS}/6/diff`)).toContain('no revision 6')
  expect(await detailOf(`${REVISIONS}/7/diff?against=9`)).toContain('no revision 9')
  expect(await detailOf(`${REVISIONS}/5/diff`)).toContain('before 5')
  expect(await detailOf('/v1/plans/other/revisions/5/diff?against=7')).toContain('no revision 5 of plan other')
})

test.each(['?against=x', '?against=0', '?against=2147483648', '?against=', '?with=5'])('refuses %s', async (query) => {
  const refused = expected(await author.get(`${REVISIONS}/7/diff${query}`), 400).body
  expect(refused.type).toBe('urn:limitkeep:problem:parameter-invalid')
  expect(refused.errors[0].in).toBe('query')
})
