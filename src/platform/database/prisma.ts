import { createHash, randomUUID } from 'node:crypto'
import { PrismaPg } from '@prisma/adapter-pg'
import type pg from 'pg'
import { type Prisma, PrismaClient } from '../../generated/prisma/client.ts'
import { failureOf } from './errors.ts'
import { type Sql, sqlOn } from './sql.ts'

type Adapter = Awaited<ReturnType<PrismaPg['connect']>>
type AdapterTransaction = Awaited<ReturnType<Adapter['startTransaction']>>

/** Never reaches the server: our adapter answers it, and learns which of Prisma's transactions asks. */
const ASK = 'limitkeep: the connection of this transaction '

/**
 * Prisma on our pool, with one addition: hand-written SQL inside a transaction of Prisma's, with our types and prepared
 * statements. Sending it through Prisma's raw query would give other types for the same column (Date, bigint, Decimal).
 */
class SharedConnection extends PrismaPg {
  readonly #asked = new Map<string, Sql>()
  readonly #onLost: (error: unknown) => void

  constructor(pool: pg.Pool, onLost: (error: unknown) => void, options: ConstructorParameters<typeof PrismaPg>[1]) {
    super(pool, options)
    this.#onLost = onLost
  }

  override async connect(): Promise<Adapter> {
    const adapter = await super.connect()
    const begin = adapter.startTransaction.bind(adapter)
    adapter.startTransaction = async (level) => this.#share(await begin(level))
    return adapter
  }

  /** The connection that answered to `token`, once. */
  take(token: string): Sql {
    const sql = this.#asked.get(token)
    this.#asked.delete(token)
    if (!sql) throw new Error('the Prisma client given is not on this database, or not in a transaction')
    return sql
  }

  #share(transaction: AdapterTransaction): AdapterTransaction {
    // The adapter keeps the client in a protected member; a release that moved it must fail here, loudly.
    const client = (transaction as unknown as { client?: pg.PoolClient }).client
    if (typeof client?.query !== 'function') throw new Error('the Prisma adapter hides its connection in another place')
    let ended: 'committed' | 'rolled back' | undefined
    let isLost = false
    const onClient = sqlOn(client)
    // Prisma gives every connection back to the pool as a good one. One that answers no more is ended first, or the next
    // to borrow it would wait in vain, and so would the ROLLBACK now.
    const watched = async <T>(answer: Promise<T>): Promise<T> => {
      try {
        return await answer
      } catch (error) {
        if (!isLost && failureOf(error)?.kind === 'lost') {
          isLost = true
          this.#onLost(error)
          client.end().catch(() => undefined)
        }
        throw error
      }
    }
    const sql: Sql = {
      // INVARIANT: nothing is sent once Prisma has ended the transaction (it may, by its time limit, at any moment):
      // the connection would be back in the pool, and the statement would run outside or in another's transaction.
      async query(text, values, name) {
        if (ended) throw new Error(`the transaction was ${ended}`)
        return await watched(onClient.query(text, values, name))
      },
    }
    const { executeRaw, queryRaw, commit, rollback } = transaction
    transaction.executeRaw = async (query) => {
      if (query.sql.startsWith(ASK)) {
        this.#asked.set(query.sql.slice(ASK.length), sql)
        return 0
      }
      if (query.sql === 'COMMIT') ended = 'committed'
      if (query.sql === 'ROLLBACK') ended = 'rolled back'
      return await watched(executeRaw.call(transaction, query))
    }
    transaction.queryRaw = (query) => watched(queryRaw.call(transaction, query))
    transaction.commit = async () => {
      ended ??= 'committed'
      await commit.call(transaction)
    }
    transaction.rollback = async () => {
      ended ??= 'rolled back'
      await rollback.call(transaction)
    }
    return transaction
  }
}

/** Each text stays prepared on each connection for its life, so the number of texts kept is bounded. */
const NAMED_MAX = 500
const NAMED_LENGTH_MAX = 4_000
/** Texts whose length depends on the values: long in-lists and inserts of many rows would fill the server's memory. */
const VARIES = /IN \((?:\$\d+, ?){4}|VALUES \((?:[^()]|\([^()]*\))*\), ?\(/

/** Names a statement by its text, so that the server plans it once per connection; '' leaves it unnamed. */
function statementNames(): (query: { sql: string }) => string {
  const names = new Map<string, string>()
  return ({ sql }) => {
    const known = names.get(sql)
    if (known !== undefined) return known
    if (names.size >= NAMED_MAX || sql.length > NAMED_LENGTH_MAX || VARIES.test(sql)) return ''
    const name = `prisma_${createHash('sha256').update(sql).digest('base64url').slice(0, 24)}`
    names.set(sql, name)
    return name
  }
}

export interface PrismaOnPool {
  readonly prisma: PrismaClient
  /** Hand-written SQL on the connection of one of Prisma's interactive transactions; refused once that has ended. */
  sqlOf(transaction: Prisma.TransactionClient): Promise<Sql>
}

/**
 * A Prisma client on `pool`; the pool stays the caller's to close. `onLost` hears of each connection that died, or answers
 * no more, under one of Prisma's transactions.
 */
export function prismaOn(pool: pg.Pool, onLost: (error: unknown) => void): PrismaOnPool {
  const adapter = new SharedConnection(pool, onLost, {
    schema: 'governance',
    statementNameGenerator: statementNames(),
  })
  return {
    prisma: new PrismaClient({ adapter }),
    async sqlOf(transaction) {
      const token = randomUUID()
      await transaction.$executeRawUnsafe(ASK + token)
      return adapter.take(token)
    },
  }
}
