import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { sequencePage } from '../../src/ledger/acts-sequence.ts'
import { feedEnd } from '../../src/ledger/reads-end.ts'
import { type Line, openLine } from '../support/line.ts'
import { created, expected } from '../support/service.ts'

let line: Line

beforeAll(async () => {
  line = await openLine()
  line.setClock(line.now() + 60_000)
  // Several in one commit, of several outcomes: the lane takes together what waits.
  const uploads = Array.from({ length: 12 }, (_, number) =>
    line.upload((wire) => {
      if (number % 4 === 1) wire.person = 'P-9999'
      if (number % 4 === 2) wire.serial = 7
    }),
  )
  await Promise.all(uploads.map((upload) => line.send(upload)))
  created(await line.service.administrator.post('/v1/sites', site('annex')))
})
beforeEach(async () => {
  while ((await sequencePage(line.service.database)) !== 0);
})
afterAll(() => line.service.close())

const site = (key: string) => ({ site: key, name: 'Another', timeZone: 'Asia/Tokyo', openedAt: '2026-01-01T00:00:00Z' })

interface FeedEvent {
  readonly cursor: string
  readonly index: number
  readonly position: number
  readonly knownAt: string
  readonly kind: string
  readonly site: string | null
  readonly by: string
  readonly subject: string
  readonly facts: Record<string, unknown>
}

interface Page {
  readonly items: readonly FeedEvent[]
  readonly nextCursor: string
  readonly atEnd: boolean
}

async function page(query: string): Promise<Page> {
  return expected(await line.analyst.get(`/v1/events?${query}`), 200).body
}

/** The whole feed, page by page, to its end. */
async function all(query: string): Promise<FeedEvent[]> {
  const events: FeedEvent[] = []
  let after = '0.0'
  for (;;) {
    const { items, nextCursor, atEnd } = await page(`${query}&after=${after}`)
    events.push(...items)
    if (atEnd) return events
    expect(nextCursor).not.toBe(after)
    after = nextCursor
  }
}

describe('the feed', () => {
  test('tells every entry: an act once, a commit once for each upload', async () => {
    const events = await all('limit=1000')
    expect(events.map(({ cursor }) => cursor)).toEqual(events.map(({ index, position }) => `${index}.${position}`))
    const entries = await line.service.database.sql.query<{ entry: string; uploads: number | null }>(
      `SELECT content AS entry, jsonb_array_length(content::jsonb #> '{facts,uploads}') AS uploads
       FROM intake.ledger_entries`,
    )
    const uploads = entries.filter((one) => one.uploads !== null)
    expect(uploads.length).toBeLessThan(12)
    expect(events).toHaveLength(entries.length - uploads.length + 12)
    expect([...new Set(events.map(({ index }) => index))]).toEqual(entries.map((_, index) => index))
    const known = events.map(({ knownAt }) => knownAt)
    expect(known).toEqual([...known].sort())
  })

  test('tells of each upload what became of it, and where to read it', async () => {
    const uploads = await all('kinds=uploadRuns')
    expect(uploads).toHaveLength(12)
    const outcomes = uploads.map(({ facts }) => String(facts['outcome'])).sort()
    expect(outcomes).toEqual([...Array(6).fill('accepted'), ...Array(3).fill('held'), ...Array(3).fill('rejected')])
    for (const { subject, site, facts } of uploads) {
      expect(site).toBe('leeds')
      const run = expected(await line.analyst.get(`/v1/${subject}`), 200).body
      expect([run.runId, run.outcome]).toEqual([facts['runId'], facts['outcome']])
    }
  })

  test.each([1, 2, 3, 7, 50])('gives each event once in pages of %i, whatever is asked for', async (limit) => {
    const events = await all('limit=1000')
    for (const [query, keep] of [
      ['', () => true],
      ['&kinds=uploadRuns', (event: FeedEvent) => event.kind === 'uploadRuns'],
      [
        '&kinds=createSite,approveRevision',
        ({ kind }: FeedEvent) => kind === 'createSite' || kind === 'approveRevision',
      ],
      ['&site=osaka', (event: FeedEvent) => event.site === null],
      ['&site=leeds', () => true],
      ['&site=osaka&kinds=uploadRuns', () => false],
    ] as const) {
      expect(await all(`limit=${limit}${query}`), query).toEqual(events.filter(keep))
    }
  })

  test('goes on after each single event, in the middle of a commit too', async () => {
    const events = await all('limit=1000')
    for (const [number, { cursor }] of events.entries()) {
      const { items } = await page(`limit=1&after=${cursor}`)
      expect(items).toEqual(events.slice(number + 1, number + 2))
    }
  })

  test('begins with the first event where no cursor is sent, and has a cursor where it ends', async () => {
    const [first] = await all('')
    expect((await page('limit=1')).items).toEqual([first])
    const events = await all('limit=1000')
    const last = events.at(-1)
    if (last === undefined) throw new Error('the feed is empty')
    const end = await page(`after=${last.cursor}`)
    expect(end).toEqual({ items: [], nextCursor: `${last.index + 1}.0`, atEnd: true })
    const { administrator } = line.service
    created(await administrator.post('/v1/sites', site(`later-${Date.now()}`)))
    expect((await page(`after=${end.nextCursor}`)).items).toEqual([])
    await sequencePage(line.service.database)
    expect((await page(`after=${end.nextCursor}`)).items).toMatchObject([{ kind: 'createSite', position: 1 }])
    expect((await page(`after=${last.cursor}`)).items).toHaveLength(1)
  })
})

describe('refused', () => {
  const asked = async (query: string) => {
    const { status, body } = await line.analyst.get(`/v1/events?${query}`)
    return [status, body.type.split('/').at(-1)?.split(':').at(-1), body.errors?.[0]?.pointer]
  }

  test.each([
    ['after=1', 'after'],
    ['after=-1.0', 'after'],
    ['after=1.1%20OR%201=1', 'after'],
    ['limit=0', 'limit'],
    ['limit=1001', 'limit'],
    ['wait=31', 'wait'],
    ['wait=-1', 'wait'],
    ['kinds=', 'kinds'],
    ['kinds=uploadRun', 'kinds'],
    ['kinds=uploadRuns&kinds=createSite', 'kinds'],
    ['site=%27', 'site'],
    ['since=yesterday', 'since'],
  ])('%s', async (query, member) => {
    expect(await asked(query)).toEqual([400, 'parameter-invalid', `#/${member}`])
  })

  test('a site that is not there, rather than wait for it in vain', async () => {
    expect((await asked('site=nowhere')).slice(0, 2)).toEqual([404, 'site-not-found'])
  })

  test('a cursor beyond the end, which would miss what comes before it', async () => {
    const end = (await all('limit=1000')).at(-1)?.index ?? Number.NaN
    expect(await page(`after=${end + 1}.0`)).toMatchObject({ items: [], atEnd: true })
    for (const after of [`${end + 1}.1`, `${end + 2}.0`, '999999999999999.999999']) {
      expect((await asked(`after=${after}`)).slice(0, 2)).toEqual([400, 'cursor-invalid'])
    }
  })

  test('a station, which has no business here', async () => {
    expect((await line.station.get('/v1/events')).status).toBe(403)
  })
})

describe('waiting at the end', () => {
  const forever = { milliseconds: 60_000, signal: new AbortController().signal }

  test('ends with a move beyond, and not with one up to there', async () => {
    const end = feedEnd()
    let isGone = false
    const gone = end.beyond(5, forever).then(() => {
      isGone = true
    })
    end.moved(5)
    await Promise.resolve()
    expect(isGone).toBe(false)
    end.moved(6)
    await gone
    await end.beyond(5, forever)
  })

  test('ends when the time is up, the client gone, or the service stops', async () => {
    const end = feedEnd()
    await end.beyond(0, { ...forever, milliseconds: 1 })
    const client = new AbortController()
    const left = end.beyond(0, { ...forever, signal: client.signal })
    client.abort()
    await left
    await end.beyond(0, { ...forever, signal: client.signal })
    const stopped = end.beyond(0, forever)
    end.close()
    await stopped
    await end.beyond(0, forever)
    expect(end.isClosed).toBe(true)
  })
})
