import { expect, test } from 'vitest'
import { readSettings } from '../src/settings.ts'

test('nothing set: an embedded database beside the code, on loopback', () => {
  expect(readSettings({})).toEqual({
    database: undefined,
    dataDirectory: './data',
    host: '127.0.0.1',
    port: 8080,
    logLevel: 'info',
    secretsKey: undefined,
  })
})

test('everything set, and what is no setting is ignored', () => {
  const settings = readSettings({
    DATABASE_URL: 'postgresql://app@db/limitkeep',
    DATABASE_OWNER_URL: 'postgres://owner@db/limitkeep',
    DATA_DIRECTORY: '/var/limitkeep',
    HOST: '::',
    PORT: '0',
    LOG_LEVEL: 'warn',
    SECRETS_KEY: Buffer.alloc(32, 1).toString('base64'),
    PATH: '/bin',
  })
  expect(settings.database).toEqual({
    serviceUrl: 'postgresql://app@db/limitkeep',
    ownerUrl: 'postgres://owner@db/limitkeep',
  })
  expect([settings.host, settings.port, settings.logLevel, settings.dataDirectory]).toEqual([
    '::',
    0,
    'warn',
    '/var/limitkeep',
  ])
  expect(settings.secretsKey).toEqual(new Uint8Array(32).fill(1))
})

test('one URL serves and migrates; empty variables count as absent', () => {
  const url = 'postgresql://app@db/limitkeep'
  expect(readSettings({ DATABASE_URL: url, PORT: '', SECRETS_KEY: '' }).database).toEqual({
    serviceUrl: url,
    ownerUrl: url,
  })
})

test.each([
  ['PORT', '65536'],
  ['PORT', '-1'],
  ['PORT', '80a'],
  ['LOG_LEVEL', 'loud'],
  ['DATABASE_URL', 'mysql://secret@x/y'],
  ['DATABASE_URL', 'secret'],
  ['DATABASE_OWNER_URL', 'postgres://secret@x/y'],
  ['SECRETS_KEY', 'secret'],
])('%s=%s is refused by name, and its value is not shown', (name, value) => {
  expect(() => readSettings({ [name]: value })).toThrow(name)
  try {
    readSettings({ [name]: value })
  } catch (error) {
    expect(String(error)).not.toContain('secret@')
  }
})
