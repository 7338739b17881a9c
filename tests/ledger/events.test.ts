import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { ledgerRow } from '../../src/ledger/entry.ts'
import { eventsOf, writeEvent } from '../../src/ledger/events.ts'
import { CursorWire, EventWire, eventKinds, KindsParam, readCursor, writeCursor } from '../../src/ledger/words.ts'
import { instant } from '../support/clock.ts'

const recordedAt = instant('2026-03-16T09:14:42.212Z')
const knownAt = recordedAt + 300
const act = {
  entryId: '019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f10',
  recordedAt,
  action: 'revokeKey',
  by: 'P-0102',
  key: 'abcdefghijklmnop',
  subject: 'keys/abcdefghijklmnop',
  facts: { reason: 'station scrapped' },
}
const sequenced = (entry: Parameters<typeof ledgerRow>[0], site: string) => ({
  index: 42,
  site,
  recordedAt,
  knownAt,
  content: ledgerRow(entry).content,
})

describe('an entry', () => {
  test('of an act is one event', () => {
    const [event, ...more] = eventsOf(sequenced(act, '*'))
    if (event === undefined) throw new Error('an act is an event')
    expect(more).toEqual([])
    expect(EventWire.parse(writeEvent(event))).toEqual({
      cursor: '42.1',
      index: 42,
      position: 1,
      knownAt: '2026-03-16T09:14:42.512Z',
      recordedAt: '2026-03-16T09:14:42.212Z',
      kind: 'revokeKey',
      site: null,
      by: 'P-0102',
      key: 'abcdefghijklmnop',
      subject: 'keys/abcdefghijklmnop',
      facts: { reason: 'station scrapped' },
    })
  })

  test('of the service itself has no key', () => {
    expect(eventsOf(sequenced({ ...act, key: null }, '*'))).toMatchObject([{ key: null }])
  })

  test('of a commit is one event for each upload, by position', () => {
    const uploads = ['accepted', 'unreadable', 'held'].map((outcome, index) => ({
      uploadId: `019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f1${index}`,
      contentDigest: outcome === 'unreadable' ? null : `sha256:${index}`,
      outcome,
      sender: 'qrstuvwxyzabcdef',
    }))
    const commit = {
      ...act,
      action: 'uploadRuns',
      by: 'service',
      key: null,
      subject: 'sites/LEEDS',
      facts: { uploads },
    }
    const events = eventsOf(sequenced(commit, 'LEEDS')).map(writeEvent)
    expect(events.map(({ cursor }) => cursor)).toEqual(['42.1', '42.2', '42.3'])
    expect(events.map(({ facts }) => facts)).toEqual([
      { runId: '019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f10', contentDigest: 'sha256:0', outcome: 'accepted' },
      { runId: '019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f11', outcome: 'unreadable' },
      { runId: '019cf5ed-0fba-7c3e-9d41-8a2f6f6d2f12', contentDigest: 'sha256:2', outcome: 'held' },
    ])
    for (const event of events) {
      expect(event).toMatchObject({ site: 'LEEDS', by: 'qrstuvwxyzabcdef', subject: `runs/${event.facts['runId']}` })
    }
  })

  test('in another form is not passed over', () => {
    expect(() => eventsOf({ ...sequenced(act, '*'), content: '{"format":"ledger-entry/2"}' })).toThrow()
  })
})

describe('a cursor', () => {
  test('is read as it was written', () => {
    const place = fc.record({ index: fc.nat(2 ** 31), position: fc.nat(999_999) })
    fc.assert(
      fc.property(place, (one) => {
        expect(readCursor(CursorWire.parse(writeCursor(one)))).toEqual(one)
      }),
    )
  })

  test.each([
    '',
    '1',
    '1.',
    '.1',
    '-1.0',
    '1.-1',
    '01.1',
    '1.01',
    '1.1.1',
    '1e3.1',
    ' 1.1',
    '1.1 ',
    '9999999999999999.1',
  ])('is not %j', (text) => {
    expect([readCursor(text), CursorWire.safeParse(text).success]).toEqual([undefined, false])
  })
})

test('kinds are known ones, parted by commas', () => {
  for (const good of [...eventKinds, 'approveRevision,uploadRuns'])
    expect(KindsParam.safeParse(good).success).toBe(true)
  for (const bad of ['', ',', 'uploadRun', 'approveRevision,', 'approveRevision, uploadRuns', 'x'.repeat(2_000)]) {
    expect(KindsParam.safeParse(bad).success, bad).toBe(false)
  }
})
