import { z } from 'zod'
import { KeyWire } from '../exact/text.ts'
import {
  NumberParam,
  PageWire,
  PlaceNumber,
  pageQuery,
  refusals,
  requireMatch,
  sendCreated,
  sendEditable,
  sendList,
} from '../platform/http/conventions.ts'
import type { RestApp, Services } from '../platform/http/server.ts'
import { SubmissionWire } from '../platform/versioned-words.ts'
import { confirmVersion, createVersion, type ProductServices, replaceVersion, submitVersion } from './acts.ts'
import { getProduct, getVersion, listProducts, listVersions } from './reads.ts'
import { registerVersionStops } from './rest-stop.ts'
import { ConfirmationWire, ProductVersionWire, ProductWire, VersionDraftWire } from './words.ts'

const ProductParams = z.strictObject({ product: KeyWire })
const VersionParams = z.strictObject({ product: KeyWire, version: NumberParam })
const PageQuery = z.strictObject({ ...pageQuery })
const tags = ['products']

/** Products and their versions. */
export function registerProducts(app: RestApp, services: Services & ProductServices): void {
  const { database, received } = services
  const { sql } = database

  app.get(
    '/v1/products',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listProducts',
        tags,
        summary: 'Products and the version of each in effect now',
        querystring: PageQuery,
        response: { 200: PageWire(ProductWire), ...refusals('cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: 'products',
        place: KeyWire,
        placeOf: ({ product }) => product,
        read: ({ after = '', limit }) => listProducts(sql, { after, limit }, received.now()),
      }),
  )

  app.get(
    '/v1/products/:product',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getProduct',
        tags,
        summary: 'One product',
        params: ProductParams,
        response: { 200: ProductWire, ...refusals('product-not-found') },
      },
    },
    (request) => getProduct(sql, request.params.product, received.now()),
  )

  app.get(
    '/v1/products/:product/versions',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'listVersions',
        tags,
        summary: 'The versions of a product, ascending',
        params: ProductParams,
        querystring: PageQuery,
        response: { 200: PageWire(ProductVersionWire), ...refusals('product-not-found', 'cursor-invalid') },
      },
    },
    (request, reply) =>
      sendList(request, reply, {
        name: `versions/${request.params.product}`,
        place: PlaceNumber,
        placeOf: ({ version }) => version,
        read: ({ after = 0, limit }) => listVersions(sql, request.params.product, { after, limit }),
      }),
  )

  app.post(
    '/v1/products/:product/versions',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'createVersion',
        tags,
        summary: 'Write a new version; the first one makes the product',
        params: ProductParams,
        body: VersionDraftWire,
        response: { 201: ProductVersionWire, ...refusals('already-exists', 'number-not-higher') },
      },
    },
    async (request, reply) => {
      const created = await createVersion(services, request.person, request.params.product, request.body)
      const location = ['products', created.product, 'versions', String(created.version)]
      return sendCreated(reply, location, sendEditable(reply, created))
    },
  )

  app.get(
    '/v1/products/:product/versions/:version',
    {
      config: { permission: 'read' },
      schema: {
        operationId: 'getVersion',
        tags,
        summary: 'One version of a product',
        params: VersionParams,
        response: { 200: ProductVersionWire, ...refusals('version-not-found') },
      },
    },
    async (request, reply) =>
      sendEditable(reply, await getVersion(sql, request.params.product, request.params.version)),
  )

  app.put(
    '/v1/products/:product/versions/:version',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'replaceVersion',
        tags,
        summary: 'Replace a draft; needs If-Match',
        params: VersionParams,
        body: VersionDraftWire,
        response: {
          200: ProductVersionWire,
          ...refusals('version-not-found', 'version-locked', 'precondition-missing', 'precondition-stale'),
        },
      },
    },
    async (request, reply) => {
      const match = (digest: string) => requireMatch(request, digest)
      const replaced = await replaceVersion(services, request.person, request.params, request.body, match)
      return sendEditable(reply, replaced)
    },
  )

  app.post(
    '/v1/products/:product/versions/:version/submission',
    {
      config: { permission: 'write' },
      schema: {
        operationId: 'submitVersion',
        tags,
        summary: 'Freeze a draft for the second person',
        params: VersionParams,
        body: SubmissionWire,
        response: { 200: ProductVersionWire, ...refusals('version-not-found', 'state-conflict', 'digest-stale') },
      },
    },
    (request) => submitVersion(services, request.person, request.params, request.body),
  )

  app.post(
    '/v1/products/:product/versions/:version/confirmation',
    {
      config: { permission: 'sign', signed: true },
      schema: {
        operationId: 'confirmVersion',
        tags,
        summary: 'Sign a version as the second person; it takes effect from the instant given',
        params: VersionParams,
        body: ConfirmationWire,
        response: {
          200: ProductVersionWire,
          ...refusals(
            'version-not-found',
            'state-conflict',
            'digest-stale',
            'two-people-required',
            'effective-instant-passed',
          ),
        },
      },
    },
    (request) => confirmVersion(services, request.person, request.params, request.body),
  )

  registerVersionStops(app, services)
}
