import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { PageWire, pageQuery, refusals, sendCreated, sendList } from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { createPerson, issueKey, revokeKey } from './acts.ts'
import { fetchOneTimeSecret, voidOneTimeSecret } from './acts-presence.ts'
import { getKey, getPerson, listKeys, listPersons } from './reads.ts'
import {
  AccessKeyWire,
  IssuedKeyWire,
  KeyDraftWire,
  KeyParams,
  OneTimeSecretWire,
  PersonDraftWire,
  PersonParams,
  PersonWire,
  ReasonWire,
} from './words.ts'

const PageQuery = z.strictObject(pageQuery)
const PersonPage = PageWire(PersonWire).meta({ id: 'PersonPage' })
const KeyPage = PageWire(AccessKeyWire).meta({ id: 'AccessKeyPage' })
const VoidingWire = z
  .strictObject({ person: z.string(), voidedAt: InstantWire, voidedBy: z.string(), reason: z.string() })
  .meta({ id: 'OneTimeSecretVoiding' })

/** Persons, access keys, one-time codes. `secretsKey` seals the secrets for one-time codes. */
export function registerAccess(app: RestApp, services: Services, secretsKey: Uint8Array): void {
  const { database } = services
  const tags = ['access']

  app.post(
    '/v1/persons',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'createPerson',
        tags,
        summary: 'Add a person with roles',
        body: PersonDraftWire,
        response: { 201: PersonWire, ...refusals('already-exists') },
      },
    },
    async (request, reply) => {
      const person = await createPerson(database, request.person, request.body)
      return sendCreated(reply, ['persons', person.person], person)
    },
  )

  app.get(
    '/v1/persons',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listPersons',
        tags,
        summary: 'All persons, in order of their key',
        querystring: PageQuery,
        response: { 200: PersonPage },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'persons',
        place: KeyWire,
        placeOf: ({ person }) => person,
        read: (page) => listPersons(database, page),
      }),
  )

  app.get(
    '/v1/persons/:person',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getPerson',
        tags,
        summary: 'One person',
        params: PersonParams,
        response: { 200: PersonWire, ...refusals('person-not-found') },
      },
    },
    (request) => getPerson(database, request.params.person),
  )

  app.post(
    '/v1/persons/:person/one-time-code',
    {
      config: { permission: 'own-secret' },
      schema: {
        operationId: 'fetchOneTimeSecret',
        tags,
        summary: 'Fetch the own secret for one-time codes, once',
        description: 'The secret is shown in this answer alone. Put it into an authenticator (RFC 6238).',
        params: PersonParams,
        response: { 201: OneTimeSecretWire, ...refusals('secret-already-fetched') },
      },
    },
    async (request, reply) => {
      const secret = await fetchOneTimeSecret(database, secretsKey, request.person, request.params.person)
      reply.header('cache-control', 'no-store')
      return sendCreated(reply, ['persons', secret.person], secret)
    },
  )

  app.post(
    '/v1/persons/:person/one-time-code/voiding',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'voidOneTimeSecret',
        tags,
        summary: "Void a person's secret, so that it can be fetched anew",
        params: PersonParams,
        body: ReasonWire,
        response: { 200: VoidingWire, ...refusals('person-not-found', 'one-time-secret-not-found') },
      },
    },
    (request) => voidOneTimeSecret(database, request.person, request.params.person, request.body),
  )

  app.post(
    '/v1/keys',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'issueKey',
        tags,
        summary: 'Issue an access key; its token is shown once',
        body: KeyDraftWire,
        response: { 201: IssuedKeyWire, ...refusals('reference-unknown') },
      },
    },
    async (request, reply) => {
      const issued = await issueKey(database, request.person, request.body)
      reply.header('cache-control', 'no-store')
      return sendCreated(reply, ['keys', issued.key], issued)
    },
  )

  app.get(
    '/v1/keys',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'listKeys',
        tags,
        summary: 'All access keys without their secrets, in order of their id',
        querystring: PageQuery,
        response: { 200: KeyPage },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'keys',
        place: KeyWire,
        placeOf: ({ key }) => key,
        read: (page) => listKeys(database, page),
      }),
  )

  app.get(
    '/v1/keys/:key',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'getKey',
        tags,
        summary: 'One access key without its secret',
        params: KeyParams,
        response: { 200: AccessKeyWire, ...refusals('key-not-found') },
      },
    },
    (request) => getKey(database, request.params.key),
  )

  app.post(
    '/v1/keys/:key/revocation',
    {
      config: { permission: 'administer' },
      schema: {
        operationId: 'revokeKey',
        tags,
        summary: 'Revoke an access key from now on',
        params: KeyParams,
        body: ReasonWire,
        response: {
          200: AccessKeyWire,
          ...refusals('key-not-found', 'already-revoked', 'last-administrator-key'),
        },
      },
    },
    (request) => revokeKey(database, request.person, request.params.key, request.body),
  )
}
