import { describe, expect, test } from 'vitest'
import {
  emptyFacts,
  factOf,
  forget,
  isKeyLive,
  missingNeeds,
  needsOf,
  siteOf,
  withFacts,
} from '../../src/judging/facts.ts'
import { baseFacts, changedUpload, factsFor, revisionFact } from './aldermoor.ts'

const upload = changedUpload()
const facts = factsFor(upload)
const needs = needsOf(upload, { site: 'leeds', key: 'K-1' })

describe('needs', () => {
  test('name everything that admission asks for', () => {
    expect([...needs].sort()).toEqual(Object.keys(baseFacts).sort())
    expect(missingNeeds(facts, needs)).toEqual([])
    expect(missingNeeds(emptyFacts('leeds', { version: 1, rulesVersion: 1 }), needs)).toEqual(needs)
  })
  test('a run without a programming needs none', () => {
    const { programming: _, ...rest } = upload
    expect(needsOf(rest, { site: 'leeds', key: 'K-1' })).toHaveLength(7)
  })
})

describe('asking', () => {
  test('what is not there is null, what was not loaded is a bug', () => {
    const known = withFacts(emptyFacts('leeds', { version: 1, rulesVersion: 1 }), [['person/P-1', null]])
    expect(factOf(known, 'person', 'P-1')).toBeNull()
    expect(() => factOf(known, 'person', 'P-2')).toThrow('person/P-2 of site leeds was not loaded')
    expect(() => siteOf(known)).toThrow('was not loaded')
    expect(() => siteOf(withFacts(known, [['site/leeds', null]]))).toThrow('no site leeds')
    expect(() => factOf(withFacts(known, [['person/P-3', baseFacts['site/leeds']]]), 'person', 'P-3')).toThrow(
      'loaded as site',
    )
  })
  test('a key is live until it is revoked', () => {
    expect(isKeyLive(facts, 'K-1')).toBe(true)
    const revoked = withFacts(facts, [
      ['key/K-1', { ...baseFacts['key/K-1'], revokedAt: 1 }],
      ['key/K-2', null],
    ])
    expect([isKeyLive(revoked, 'K-1'), isKeyLive(revoked, 'K-2')]).toEqual([false, false])
  })
  test('loading more leaves the facts before as they were', () => {
    const more = withFacts(facts, [['person/P-9', { kind: 'person', person: 'P-9' }]])
    expect(more.entries.has('person/P-9')).toBe(true)
    expect(facts.entries.has('person/P-9')).toBe(false)
  })
})

describe('forgetting', () => {
  const now = { version: 42, rulesVersion: facts.rulesVersion }
  const gone = (...changes: Parameters<typeof forget>[1]) => missingNeeds(forget(facts, changes, now), needs)
  test('what a change names is read again, the rest is kept', () => {
    expect(gone()).toEqual([])
    expect(gone({ kind: 'person', key: 'P-0417' })).toEqual(['person/P-0417'])
    expect(gone({ kind: 'station', key: 'LDS-F2' }, { kind: 'instrument', key: 'INS-0099' })).toEqual([
      'station/LDS-F2',
    ])
    expect(forget(facts, [], now)).toMatchObject({ site: 'leeds', version: 42 })
  })
  test('a programming may end others, a revision its predecessor, the rules every check', () => {
    expect(gone({ kind: 'programming', key: 'PG-0200' })).toEqual(['programming/PG-0192'])
    expect(gone({ kind: 'revision', key: 'ex36-final/8' })).toEqual(['revision/ex36-final/7'])
    expect(gone({ kind: 'revision', key: 'ex36' })).toEqual([])
    expect(gone({ kind: 'rules', key: 'extractor-strength' })).toEqual(['revision/ex36-final/7'])
  })
  test('another rules version drops every revision, whatever the changes say', () => {
    const later = forget(facts, [], { version: 42, rulesVersion: facts.rulesVersion + 1 })
    expect(missingNeeds(later, needs)).toEqual(['revision/ex36-final/7'])
    expect(withFacts(later, [['revision/ex36-final/7', revisionFact]]).rulesVersion).toBe(facts.rulesVersion + 1)
  })
})
