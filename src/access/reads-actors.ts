import type { Sql } from '../platform/database/sql.ts'
import { isSameHash, readToken, secretHash } from './keys.ts'
import { findActor } from './reads.ts'
import type { Actor } from './words.ts'

const ACTORS_MAX = 10_000

/**
 * Finds who sends a token without asking the database each time. Only for uploads, whose commit looks under the gate
 * whether the key is still live; a revoked key found here therefore stores nothing.
 */
export function rememberActors(sql: Sql): (token: string) => Promise<Actor | undefined> {
  const known = new Map<string, { readonly hash: string; readonly actor: Actor }>()
  return async (token) => {
    const parts = readToken(token)
    if (parts === undefined) return undefined
    const hash = secretHash(parts.secret)
    const kept = known.get(parts.id)
    if (kept !== undefined && isSameHash(kept.hash, hash)) return kept.actor
    const actor = await findActor(sql, token)
    if (actor === undefined) return undefined
    if (known.size >= ACTORS_MAX) known.clear()
    known.set(parts.id, { hash, actor })
    return actor
  }
}
