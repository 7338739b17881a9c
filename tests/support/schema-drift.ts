import { readFile } from 'node:fs/promises'
import { createRequire } from 'node:module'
import { dirname, join } from 'node:path'
import { PrismaPg } from '@prisma/adapter-pg'
import { bindMigrationAwareSqlAdapterFactory, ColumnTypeEnum } from '@prisma/driver-adapter-utils'
import * as glue from '@prisma/schema-engine-wasm/schema_engine_bg'
import pg from 'pg'

/** Type ids of the catalogue of PostgreSQL: the one-byte "char" of its own tables, and character(n). */
const CHAR = 18
const BPCHAR = 1042

/**
 * What Prisma's own schema engine would change in the database at `url` to make it as `schema` says: SQL, or its words
 * for nothing (see NO_DRIFT). It compares tables, columns, types, nullability, defaults, keys, foreign keys and plain
 * indexes of the SQL schemas that `schema` lists, in both directions. It cannot see CHECKs, exclusion constraints,
 * partial indexes, functions and partitions.
 */
export async function schemaDrift(url: string, schema: string): Promise<string> {
  await loadEngine()
  const pool = new pg.Pool({ connectionString: url, max: 1 })
  const adapter = bindMigrationAwareSqlAdapterFactory(new CatalogAdapter(pool))
  const engine = await glue.SchemaEngine.new({ datamodels: [['schema.prisma', schema]] }, () => undefined, adapter)
  try {
    const files = [{ path: 'schema.prisma', content: schema }]
    const { stdout } = await engine.diff({
      from: { tag: 'schemaDatasource', files, configDir: '.' },
      to: { tag: 'schemaDatamodel', files },
      script: true,
      exitCode: null,
      filters: { externalTables: [], externalEnums: [] },
    })
    if (stdout === null) throw new Error('the schema engine gave no difference')
    return stdout.trim()
  } finally {
    engine.free()
    await pool.end()
  }
}

export const NO_DRIFT = '-- This is an empty migration.'

let isLoaded = false

/** The package expects a bundler to load its WebAssembly; Node is told where it lies. */
async function loadEngine(): Promise<void> {
  if (isLoaded) return
  const directory = dirname(createRequire(import.meta.url).resolve('@prisma/schema-engine-wasm/schema_engine_bg'))
  const bytes = await readFile(join(directory, 'schema_engine_bg.wasm'))
  const { instance } = await webAssembly().instantiate(bytes, { './schema_engine_bg.js': { ...glue } })
  // Where the engine leaves the message of a panic before it ends; without it the message would be lost in another error.
  Object.assign(globalThis, {
    PRISMA_WASM_PANIC_REGISTRY: { set_message: (message: string) => console.error(message) },
  })
  glue.__wbg_set_wasm(instance.exports)
  const { __wbindgen_start: start } = instance.exports
  if (typeof start !== 'function') throw new Error('the schema engine has no start')
  start()
  isLoaded = true
}

interface WebAssemblyApi {
  instantiate(bytes: Uint8Array, imports: object): Promise<{ instance: { exports: Record<string, unknown> } }>
}

/** The types of Node 20 leave it out, since a browser's types bring it. */
function webAssembly(): WebAssemblyApi {
  return (globalThis as unknown as { WebAssembly: WebAssemblyApi }).WebAssembly
}

/**
 * Prisma's adapter does not know the type "char", in which the engine asks the catalogue for kinds and codes. Such columns
 * are passed through as character(n), and named as characters again in the answer.
 */
class CatalogAdapter extends PrismaPg {
  override async connect() {
    const adapter = await super.connect()
    const charColumns = new WeakMap<object, readonly number[]>()
    const pool = adapter.underlyingDriver()
    const query = pool.query.bind(pool)
    Object.assign(pool, {
      query: async (config: pg.QueryConfig) => {
        const result = await query(config)
        const chars = result.fields.flatMap((field, index) => (field.dataTypeID === CHAR ? [index] : []))
        charColumns.set(result.rows, chars)
        return {
          ...result,
          fields: result.fields.map((field) => (field.dataTypeID === CHAR ? { ...field, dataTypeID: BPCHAR } : field)),
        }
      },
    })
    const queryRaw = adapter.queryRaw.bind(adapter)
    adapter.queryRaw = async (asked) => {
      const answer = await queryRaw(asked)
      const chars = charColumns.get(answer.rows) ?? []
      const columnTypes = answer.columnTypes.map((type, index) =>
        chars.includes(index) ? ColumnTypeEnum.Character : type,
      )
      return { ...answer, columnTypes }
    }
    return adapter
  }
}
