import type { FastifyRequest, RouteOptions } from 'fastify'
import { z } from 'zod'
import { addRefusals } from '../platform/http/conventions.ts'
import type { RestApp } from '../platform/http/server.ts'
import { Problem } from '../platform/problems.ts'
import type { VerifyPresence } from './acts-presence.ts'
import { bearerToken } from './keys.ts'
import { type Actor, isPermitted, type Permission, type PersonActor, permissions } from './words.ts'

declare module 'fastify' {
  interface FastifyContextConfig {
    /** Who may: a row of the permission table. Every route of the REST scope names one. */
    permission?: Permission
    /** A signature: presence is asked for, by one-time code or by the five minutes the last one opened. */
    signed?: boolean
  }
  interface FastifyRequest {
    /** Who asks. Reading it on a public route is a bug. */
    readonly actor: Actor
    /** Who asks, on routes that only persons may use. */
    readonly person: PersonActor
  }
}

export interface GuardOptions {
  /** Who sends this token, asked anew for each request; undefined: unknown or revoked. */
  readonly authenticate: (token: string, permission: Permission) => Actor | undefined | Promise<Actor | undefined>
  readonly verifyPresence: VerifyPresence
}

/** One route as the guard knows it, for the documents and the authorisation test. */
export interface GuardedRoute {
  readonly method: string
  readonly url: string
  readonly permission: Permission
  readonly signed: boolean
}

const ACTOR = Symbol('actor')
const ONE_TIME_CODE = 'one-time-code'

interface Guarded {
  [ACTOR]?: Actor
}

/**
 * Puts the guard before every route registered afterwards in this scope. The key is checked before the body is read;
 * presence after the body was found valid, so that a spelling mistake does not use up a code.
 * @returns the routes, filled as they are registered
 */
export function installGuard(app: RestApp, options: GuardOptions): readonly GuardedRoute[] {
  const routes: GuardedRoute[] = []
  app.decorateRequest('actor', { getter: actorOf })
  app.decorateRequest('person', { getter: personOf })
  app.addHook('onRoute', (route) => {
    for (const method of [route.method].flat()) {
      routes.push({ method, url: route.url, permission: permissionOf(route), signed: route.config?.signed === true })
    }
    document(route)
  })
  app.addHook('onRequest', async (request) => {
    const { permission } = request.routeOptions.config
    if (permission === undefined) {
      throw new Error(`${request.routeOptions.url} names no permission`)
    }
    if (permission === 'public') {
      return
    }
    ;(request as Guarded)[ACTOR] = await requirePermission(request, permission, options)
  })
  app.addHook('preHandler', async (request) => {
    if (request.routeOptions.config.signed === true) {
      await options.verifyPresence(request.person, codeOf(request))
    }
  })
  return routes
}

function permissionOf(route: RouteOptions): Permission {
  const { permission, signed } = route.config ?? {}
  if (permission === undefined || !Object.hasOwn(permissions, permission)) {
    throw new Error(`${route.method} ${route.url} names no permission of access/words.ts`)
  }
  if (signed === true && (permissions[permission].machines || permission === 'public')) {
    throw new Error(`${route.method} ${route.url} is signed, but not only persons may use it`)
  }
  return permission
}

/** What the guard asks, in the published document: who may, the key, the code, and the refusals. */
function document(route: RouteOptions): void {
  const permission = permissionOf(route)
  const signed = route.config?.signed === true
  const meaning = `Who may: ${permissions[permission].meaning}${signed ? ' A signature: the header One-Time-Code opens five minutes of presence.' : ''}`
  const described = route.schema?.description
  route.schema = {
    ...route.schema,
    description: described === undefined ? meaning : `${described}\n\n${meaning}`,
    security: permission === 'public' ? [] : [{ accessKey: [] }],
    ...(signed ? { headers: SignedHeaders } : {}),
  }
  if (permission !== 'public') {
    addRefusals(route, ['key-missing', 'key-invalid', 'permission-missing'])
  }
  if (signed) {
    addRefusals(route, ['one-time-code-missing', 'one-time-code-invalid'])
  }
}

const SignedHeaders = z.looseObject({
  [ONE_TIME_CODE]: z.string().optional().describe('Six digits of RFC 6238; needed where presence is not open'),
})

/**
 * Asks for the key of a request outside the REST scope, and whether it may do what the permission names.
 * @throws Problem `key-missing`, `key-invalid`, `permission-missing`
 */
export async function requirePermission(
  request: FastifyRequest,
  permission: Exclude<Permission, 'public'>,
  options: Pick<GuardOptions, 'authenticate'>,
): Promise<Actor> {
  const actor = await identify(request, permission, options)
  if (isPermitted(permission, actor)) return actor
  throw new Problem('permission-missing', { detail: `Who may: ${permissions[permission].meaning}` })
}

async function identify(
  request: FastifyRequest,
  permission: Permission,
  options: Pick<GuardOptions, 'authenticate'>,
): Promise<Actor> {
  const header = request.headers.authorization
  if (header === undefined) {
    throw new Problem('key-missing', {
      detail: 'Send the header Authorization: Bearer, and your access key.',
      headers: { 'www-authenticate': 'Bearer' },
    })
  }
  const token = bearerToken(header)
  if (token === undefined) {
    throw new Problem('key-invalid', {
      detail: 'The header is Authorization: Bearer, a blank, and the access key.',
      headers: { 'www-authenticate': 'Bearer error="invalid_token"' },
    })
  }
  const actor = await options.authenticate(token, permission)
  if (actor === undefined) {
    throw new Problem('key-invalid', { headers: { 'www-authenticate': 'Bearer error="invalid_token"' } })
  }
  return actor
}

/** The code as sent: six digits, where a blank may stand in the middle as authenticators show it. */
function codeOf(request: FastifyRequest): string | undefined {
  const header = request.headers[ONE_TIME_CODE]
  if (header === undefined) {
    return undefined
  }
  const code = String(header).replaceAll(' ', '')
  if (!/^[0-9]{6}$/.test(code)) {
    throw new Problem('one-time-code-invalid', { detail: 'A code is six digits.' })
  }
  return code
}

function actorOf(this: FastifyRequest): Actor {
  const actor = (this as Guarded)[ACTOR]
  if (actor === undefined) {
    throw new Error(`${this.routeOptions.url} is public: nobody was asked who they are`)
  }
  return actor
}

function personOf(this: FastifyRequest): PersonActor {
  const actor = actorOf.call(this)
  if (actor.kind !== 'person') {
    throw new Error(`${this.routeOptions.url} takes its actor for a person, but machine keys may use it`)
  }
  return actor
}
