import { KeyWire } from '../exact/text.ts'
import { PlaceNumber } from '../platform/http/conventions.ts'
import { costs, type GraphBuilder, pageArgs, wordsEnum } from '../platform/http/graphql/builder.ts'
import {
  grouped,
  inOrder,
  type Listing,
  orNull,
  readConnection,
  readConnections,
} from '../platform/http/graphql/connections.ts'
import type { Services } from '../platform/http/server.ts'
import { getProduct, getVersion, listProducts, readProducts, readVersions, readVersionsOf } from './reads.ts'
import type { VersionKey } from './record.ts'
import { type Product, type ProductVersion, versionStates } from './words.ts'

const productsListing: Listing<Product, string> = {
  name: 'products',
  place: KeyWire,
  placeOf: ({ product }) => product,
}
const versionsOf = (product: string): Listing<ProductVersion, number> => ({
  name: `versions/${product}`,
  place: PlaceNumber,
  placeOf: ({ version }) => version,
})
const textOf = ({ product, version }: VersionKey) => `${product}/${version}`

/** Products and their versions. */
export function graphProducts(builder: GraphBuilder, { database, received }: Services) {
  const { sql } = database
  const Product = builder.objectRef<Product>('Product')
  const ProductVersion = builder.objectRef<ProductVersion>('ProductVersion')
  const State = wordsEnum(builder, 'ProductVersionState', versionStates)
  const ProductConnection = builder.connectionObject(
    { type: Product, name: 'ProductConnection' },
    { name: 'ProductEdge' },
  )
  const VersionConnection = builder.connectionObject(
    { type: ProductVersion, name: 'ProductVersionConnection' },
    { name: 'ProductVersionEdge' },
  )
  const loadVersions = async (keys: VersionKey[]) => inOrder(keys.map(textOf), await readVersions(sql, keys), textOf)

  Product.implement({
    description: 'A product and where its versions stand.',
    fields: (t) => ({
      product: t.exposeString('product'),
      recordedAt: t.expose('recordedAt', { type: 'Instant' }),
      latestVersion: t.exposeInt('latestVersion'),
      versionInEffect: t.exposeInt('versionInEffect', {
        nullable: true,
        description: 'Null where none is confirmed yet, or the first only takes effect later.',
      }),
      versionInEffectDetails: t.loadable({
        type: ProductVersion,
        nullable: true,
        loaderOptions: { cacheKeyFn: textOf },
        load: loadVersions,
        resolve: ({ product, versionInEffect }) =>
          versionInEffect === null ? null : { product, version: versionInEffect },
      }),
      versions: t.loadable({
        type: VersionConnection,
        byPath: true,
        args: pageArgs(builder),
        description: 'Ascending.',
        load: (products: string[], _context, args) =>
          readConnections(products, args, versionsOf, async (asked, { after = 0, limit }) =>
            grouped(asked, await readVersionsOf(sql, asked, { after, limit }), ({ product }) => product),
          ),
        resolve: ({ product }) => product,
      }),
    }),
  })
  const VersionWarning = builder.objectRef<ProductVersion['warnings'][number]>('ProductVersionWarning')
  VersionWarning.implement({
    description: 'What is accepted in a version and yet looks like a slip.',
    fields: (t) => ({
      pointer: t.exposeString('pointer'),
      code: t.exposeString('code'),
      detail: t.exposeString('detail'),
    }),
  })
  ProductVersion.implement({
    description: 'A version of a product. What has not happened yet is null.',
    fields: (t) => ({
      warnings: t.field({
        type: [VersionWarning],
        description: 'As of now; none stands in the way of an act.',
        resolve: ({ warnings }) => warnings,
      }),
      product: t.exposeString('product'),
      productDetails: t.loadable({
        type: Product,
        nullable: true,
        load: async (keys: string[]) =>
          inOrder(keys, await readProducts(sql, keys, received.now()), ({ product }) => product),
        resolve: ({ product }) => product,
      }),
      version: t.exposeInt('version'),
      state: t.expose('state', { type: State }),
      content: t.expose('content', { type: 'Json', ...costs({ cost: 10 }), description: 'What the digest covers.' }),
      digest: t.exposeString('digest'),
      changeReason: t.exposeString('changeReason', { nullable: true }),
      authors: t.exposeStringList('authors'),
      createdAt: t.expose('createdAt', { type: 'Instant' }),
      submittedAt: t.expose('submittedAt', { type: 'Instant', nullable: true }),
      submittedBy: t.exposeString('submittedBy', { nullable: true }),
      confirmedAt: t.expose('confirmedAt', { type: 'Instant', nullable: true }),
      confirmedBy: t.exposeString('confirmedBy', { nullable: true }),
      confirmedMeaning: t.exposeString('confirmedMeaning', { nullable: true }),
      effectiveFrom: t.expose('effectiveFrom', { type: 'Instant', nullable: true }),
      rulesVersion: t.exposeInt('rulesVersion', { nullable: true }),
      rejectedAt: t.expose('rejectedAt', { type: 'Instant', nullable: true }),
      rejectedBy: t.exposeString('rejectedBy', { nullable: true }),
      rejectedReason: t.exposeString('rejectedReason', { nullable: true }),
      cancelledAt: t.expose('cancelledAt', { type: 'Instant', nullable: true }),
      cancelledBy: t.exposeString('cancelledBy', { nullable: true }),
      cancelledReason: t.exposeString('cancelledReason', { nullable: true }),
    }),
  })
  builder.queryFields((t) => ({
    products: t.field({
      type: ProductConnection,
      args: pageArgs(builder),
      description: 'In order of their keys.',
      resolve: (_root, args) =>
        readConnection(args, productsListing, ({ after = '', limit }) =>
          listProducts(sql, { after, limit }, received.now()),
        ),
    }),
    product: t.field({
      type: Product,
      nullable: true,
      args: { product: t.arg({ type: 'Key', required: true }) },
      resolve: (_root, { product }) => orNull(getProduct(sql, product, received.now())),
    }),
    productVersion: t.field({
      type: ProductVersion,
      nullable: true,
      args: { product: t.arg({ type: 'Key', required: true }), version: t.arg.int({ required: true }) },
      resolve: (_root, { product, version }) => orNull(getVersion(sql, product, version)),
    }),
  }))
  return { Product, ProductVersion, loadVersions }
}
