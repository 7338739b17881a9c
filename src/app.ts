import type { FastifyInstance } from 'fastify'
import type { Logger } from 'pino'
import { z } from 'zod'
import { presenceOn } from './access/acts-presence.ts'
import { type GuardedRoute, installGuard, requirePermission } from './access/guard.ts'
import { findActor, isKeyLive } from './access/reads.ts'
import { rememberActors } from './access/reads-actors.ts'
import { registerAccess } from './access/rest.ts'
import { registerAlerts } from './alerts/rest.ts'
import { registerConcessions } from './concessions/rest.ts'
import { registerCorrections } from './corrections/rest.ts'
import { registerFiles } from './csv/rest.ts'
import { buildGraph } from './graph.ts'
import { guide } from './guide.ts'
import { registerImpact } from './impact/rest.ts'
import { createIntake } from './intake/acts.ts'
import { registerIntake } from './intake/rest.ts'
import { registerBatches } from './intake/rest-batch.ts'
import { type FeedEnd, feedEnd } from './ledger/reads-end.ts'
import { registerLedger } from './ledger/rest.ts'
import { registerPlans } from './plans/rest.ts'
import { printGraph } from './platform/http/graphql/builder.ts'
import { registerGraph } from './platform/http/graphql/server.ts'
import { printOpenapi, registerOpenapi } from './platform/http/openapi.ts'
import { createLog, createServer, type RestApp, registerRest, type Services } from './platform/http/server.ts'
import { registerProducts } from './products/rest.ts'
import { registerProposal } from './proposal/rest.ts'
import { registerReview } from './review/rest.ts'
import { registerRules } from './rules/rest.ts'
import { registerEditionFiles } from './rules/rest-files.ts'
import { registerStationChecks } from './station-checks/rest.ts'
import { registerStations } from './stations/rest.ts'
import { registerStudies } from './studies/rest.ts'
import { registerUnits } from './units/rest.ts'
import { registerAffected } from './units/rest-affected.ts'

/** Whether the service can take work, as `/readyz` tells it. */
export interface Readiness {
  readonly database: 'answers' | 'unreachable'
  readonly migrations: 'applied' | 'missing' | 'unknown'
  /** Whether the database itself keeps the service from changing what it has appended. */
  readonly appendOnly: 'enforced' | 'not-enforced'
}

export interface AppParts {
  readonly services: Services
  readonly log: Logger
  /** 32 bytes that seal the secrets for one-time codes. */
  readonly secretsKey: Uint8Array
  readonly readiness: () => Promise<Readiness>
  /** Moved by the sequencer; without it, who waits for events waits the whole time. */
  readonly feedEnd?: FeedEnd
  /** True from the moment the service begins to stop. */
  readonly isStopping?: () => boolean
  /** In tests: every answer must match its schema, every refusal must be declared. */
  readonly checkAnswers?: boolean
  /** After how many repeats a GraphQL query is compiled; 0: never. */
  readonly jit?: number
}

export interface App {
  readonly server: FastifyInstance
  /** Every route of the REST scope with its permission. */
  readonly routes: readonly GuardedRoute[]
  /** Answers the uploads that are queued, takes no more, and closes. */
  close(): Promise<void>
}

/** What a client has for finishing once the service stops; uploads in the queue are answered well before. */
const FINISH_TIME_MAX_MS = 4_000

/** Wires the rooms into one Fastify app. It listens to nothing yet; tests inject into it. */
export async function buildApp(parts: AppParts): Promise<App> {
  const { services, secretsKey } = parts
  const { database } = services
  const server = await createServer(parts)
  await registerOpenapi(server, guide)
  const actorOf = (token: string) => findActor(database.sql, token)
  const uploaderOf = rememberActors(database.sql)
  const intake = createIntake({
    database,
    received: services.received,
    log: services.log,
    isLive: (actor) => isKeyLive(database.sql, actor.key),
  })
  const end = parts.feedEnd ?? feedEnd()
  let routes: readonly GuardedRoute[] = []
  await registerRest(server, parts, (app) => {
    routes = installGuard(app, {
      // An upload's key is looked at once more under the gate, in its own commit.
      authenticate: (token, permission) => (permission === 'upload' ? uploaderOf(token) : actorOf(token)),
      verifyPresence: presenceOn(database, secretsKey),
    })
    registerHealth(app, parts)
    registerAccess(app, services, secretsKey)
    registerProducts(app, services)
    registerRules(app, services)
    registerEditionFiles(app, services)
    registerPlans(app, services)
    registerReview(app, services)
    registerStations(app, services)
    registerStationChecks(app, services)
    registerUnits(app, services)
    registerAffected(app, services)
    registerIntake(app, services, intake)
    registerLedger(app, services, end)
    registerBatches(app, services, intake)
    registerCorrections(app, services)
    registerConcessions(app, services)
    registerAlerts(app, services)
    registerProposal(app, services)
    registerFiles(app, { ...services, batches: intake.batches })
    registerStudies(app, services)
    registerImpact(app, services)
  })
  await registerGraph(server, {
    schema: buildGraph(services),
    admit: async (request) => {
      await requirePermission(request, 'read', { authenticate: actorOf })
    },
    isStopping: parts.isStopping,
    jit: parts.jit,
  })
  await server.ready()
  const close = async () => {
    end.close()
    // A client that does not finish its request, or does not read its answer, must not keep the service from stopping in order.
    const cut = setTimeout(() => server.server.closeAllConnections(), FINISH_TIME_MAX_MS)
    await Promise.all([intake.drain(), server.close()])
    clearTimeout(cut)
  }
  return { server, routes, close }
}

const LivezWire = z.strictObject({ status: z.literal('alive') }).meta({ id: 'Liveness' })
const ReadyzWire = z
  .strictObject({
    status: z.enum(['ready', 'not-ready', 'stopping']),
    database: z.enum(['answers', 'unreachable']),
    migrations: z.enum(['applied', 'missing', 'unknown']),
    appendOnly: z.enum(['enforced', 'not-enforced']),
  })
  .meta({ id: 'Readiness' })

function registerHealth(app: RestApp, parts: AppParts): void {
  app.get(
    '/livez',
    {
      config: { permission: 'public' },
      schema: {
        operationId: 'getLiveness',
        tags: ['service'],
        summary: 'Whether the process answers',
        response: { 200: LivezWire },
      },
    },
    () => ({ status: 'alive' as const }),
  )
  app.get(
    '/readyz',
    {
      config: { permission: 'public' },
      schema: {
        operationId: 'getReadiness',
        tags: ['service'],
        summary: 'Whether the service can take work',
        response: { 200: ReadyzWire, 503: ReadyzWire },
      },
    },
    async (_request, reply) => {
      const readiness = await parts.readiness()
      const isReady = readiness.database === 'answers' && readiness.migrations === 'applied'
      const isStopping = parts.isStopping?.() === true
      reply.code(isReady && !isStopping ? 200 : 503)
      return {
        status: isStopping ? ('stopping' as const) : isReady ? ('ready' as const) : ('not-ready' as const),
        ...readiness,
      }
    },
  )
}

/** The schema of the graph as this code serves it, in order of names, without a database. */
export function describeGraph(): string {
  return printGraph(buildGraph(unopenedServices()))
}

function unopenedServices(): Services {
  return { database: unopened('database'), received: unopened('clock'), log: createLog('silent') }
}

/** The OpenAPI document as this code serves it, without a database: registering a route asks nothing of its services. */
export async function describeContract(): Promise<string> {
  const log = createLog('silent')
  const { server } = await buildApp({
    services: unopenedServices(),
    log,
    secretsKey: new Uint8Array(32),
    readiness: unopened('readiness'),
  })
  try {
    return printOpenapi(server)
  } finally {
    await server.close()
  }
}

/** Stands for something that is not opened: its members may be named, calling any of them is a bug. */
function unopened<Thing extends object>(name: string): Thing {
  const refuse = () => {
    throw new Error(`${name} is used while only the contract is printed`)
  }
  const get = (_target: object, member: string | symbol): unknown => unopened(`${name}.${String(member)}`)
  return new Proxy(refuse, { get, apply: refuse }) as unknown as Thing
}
