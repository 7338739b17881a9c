import { describe, expect, test } from 'vitest'
import {
  type Actor,
  isPermitted,
  type Permission,
  PersonDraftWire,
  permissions,
  type Role,
  speaksFor,
} from '../../src/access/words.ts'

const person = (...roles: Role[]): Actor => ({ kind: 'person', key: 'k', person: 'P-1', roles })
const actors: Readonly<Record<string, Actor>> = {
  nobody: person(),
  author: person('author'),
  approver: person('approver'),
  analyst: person('analyst'),
  administrator: person('administrator'),
  station: { kind: 'station', key: 'k', site: 'leeds', stations: ['LDS-F2'] },
  gateway: { kind: 'gateway', key: 'k', site: 'leeds', stations: ['LDS-F2', 'LDS-F3'] },
}

/** Written out from the REST surface and payloads.md "Who may", not computed from the table. */
const allowed: Readonly<Record<Permission, string>> = {
  public: 'nobody author approver analyst administrator station gateway',
  read: 'author approver analyst administrator',
  'read-run': 'author approver analyst administrator station gateway',
  upload: 'station gateway',
  assignment: 'nobody author approver analyst administrator station gateway',
  'setup-sheet': 'nobody author approver analyst administrator',
  program: 'nobody author approver analyst administrator',
  write: 'author',
  sign: 'approver',
  stop: 'author approver',
  correct: 'author approver',
  ask: 'author approver',
  'record-unit': 'author approver analyst administrator',
  administer: 'administrator',
  'own-secret': 'nobody author approver analyst administrator',
}

describe('permissions', () => {
  test.each(Object.keys(permissions) as Permission[])('%s', (permission) => {
    const may = Object.keys(actors).filter((name) => {
      const actor = actors[name]
      return actor !== undefined && isPermitted(permission, actor)
    })
    expect(may.join(' ')).toBe(allowed[permission])
  })

  test('one of several roles is enough', () => {
    expect(isPermitted('sign', person('analyst', 'approver'))).toBe(true)
  })
})

test('machines speak for their own stations, persons for all', () => {
  expect(speaksFor(person(), 'LDS-F9')).toBe(true)
  expect(speaksFor({ kind: 'gateway', key: 'k', site: 'leeds', stations: ['LDS-F2'] }, 'LDS-F2')).toBe(true)
  expect(speaksFor({ kind: 'station', key: 'k', site: 'leeds', stations: ['LDS-F2'] }, 'LDS-F3')).toBe(false)
})

test('nobody can be called what the service or a machine key is called', () => {
  for (const name of ['service', 'key:abc']) {
    expect(PersonDraftWire.safeParse({ person: name, name: 'N', roles: [] }).success).toBe(false)
  }
  expect(PersonDraftWire.safeParse({ person: 'P-1', name: 'N', roles: ['author', 'author'] }).success).toBe(false)
})
