import type { PersonActor } from '../../src/access/words.ts'
import type { Database } from '../../src/platform/database/pool.ts'

/**
 * Persons and the live keys that actors made by hand act with, written straight into their tables; who is there already
 * stays as it is. The keys have no secret, so nothing can be sent with them.
 */
export async function insertKeys(database: Database, actors: readonly PersonActor[]): Promise<void> {
  for (const { key, person, roles } of actors) {
    await database.sql.query(
      `INSERT INTO governance.person (person, name, roles, recorded_at, recorded_by)
       VALUES ($1, $1, $2, '2020-01-01Z', 'service') ON CONFLICT DO NOTHING`,
      [person, [...roles]],
    )
    await database.sql.query(
      `INSERT INTO governance.access_key (key, kind, person, secret_hash, recorded_at, recorded_by)
       VALUES ($1, 'person', $2, 'none', '2020-01-01Z', 'service') ON CONFLICT DO NOTHING`,
      [key, person],
    )
  }
}
