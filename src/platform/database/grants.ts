import pg from 'pg'
import { withOwner } from './migrate.ts'

/**
 * Tables that hold a state, and what the service may do to their rows beyond adding them. Every other table, of
 * governance and intake alike, holds facts: they are added and read, nothing else.
 */
const STATE_TABLES: Readonly<Record<string, string>> = {
  'governance.access_key': 'UPDATE',
  'governance.edition_impact': 'UPDATE',
  'governance.in_force': 'UPDATE',
  'governance.one_time_secret': 'UPDATE',
  'governance.permit': 'UPDATE',
  'governance.plan_revision': 'UPDATE',
  'governance.presence': 'UPDATE',
  'governance.product_version': 'UPDATE',
  'governance.rule_edition': 'UPDATE',
  'governance.rule_table': 'UPDATE',
  'governance.sequencer': 'UPDATE',
  'governance.station_profile': 'UPDATE',
  'governance.study': 'UPDATE',
  'intake.gate': 'UPDATE',
  'intake.ledger_pending': 'DELETE',
  'intake.permit_counts': 'UPDATE',
  'intake.units': 'UPDATE',
}

export interface GrantsOptions {
  readonly ownerUrl: string
  /** The user of this URL is the role that gets the rights. */
  readonly serviceUrl: string
}

/** Whether the database itself keeps the service from changing what it has appended. */
export type AppendOnly = 'enforced' | 'not-enforced'

/**
 * Gives the service role what it needs and no more: it reads and adds everywhere, changes the rows of
 * the few state tables, deletes pending ledger rows, and makes partitions through the owner's function. Partitions get no grants; rights are
 * asked of the parent. Not a migration, because a grant to a role that is not there fails it. Then looks, as that
 * role, whether append-only really holds: it does not for an owner, a member of the owner's role or a superuser.
 */
export async function applyGrants(options: GrantsOptions): Promise<{ appendOnly: AppendOnly }> {
  const { role, isOwner } = await asService(options.serviceUrl, async (client) => {
    const result = await client.query<{ role: string; is_owner: boolean }>(
      `SELECT current_user AS role, pg_has_role(current_user, relowner, 'MEMBER') AS is_owner
       FROM pg_class WHERE relnamespace = (SELECT oid FROM pg_namespace WHERE nspname = 'intake') AND relname = 'uploads'`,
    )
    const [row] = result.rows
    if (!row) throw new Error('intake.uploads is not there; apply the migrations first')
    return { role: row.role, isOwner: row.is_owner }
  })
  // An owner needs no grants, and taking rights from an owner would lock it out of its own tables.
  if (!isOwner) await withOwner(options.ownerUrl, (client) => grantAll(client, role))
  return { appendOnly: await asService(options.serviceUrl, readAppendOnly) }
}

async function grantAll(client: pg.Client, role: string): Promise<void> {
  const to = pg.escapeIdentifier(role)
  const tables = await client.query<{ schema: string; name: string }>(
    `SELECT relnamespace::regnamespace::text AS schema, relname AS name FROM pg_class
     WHERE relnamespace IN ('governance'::regnamespace, 'intake'::regnamespace)
       AND relkind IN ('r', 'p') AND NOT relispartition ORDER BY 1, 2`,
  )
  const grants = tables.rows.flatMap(({ schema, name }) => {
    const table = `${schema}.${pg.escapeIdentifier(name)}`
    const more = STATE_TABLES[`${schema}.${name}`]
    return [`REVOKE ALL ON ${table} FROM ${to}`, `GRANT SELECT, INSERT${more ? `, ${more}` : ''} ON ${table} TO ${to}`]
  })
  // One query, so one transaction: another process never meets the moment between revoking and granting.
  await client.query(
    [
      `GRANT USAGE ON SCHEMA governance, intake TO ${to}`,
      ...grants,
      `GRANT EXECUTE ON FUNCTION intake.make_partition(text, date) TO ${to}`,
      `GRANT SELECT ON public._prisma_migrations TO ${to}`,
    ].join(';\n'),
  )
}

/** Asks what the session may really do to every appended table, partitions included. */
async function readAppendOnly(client: pg.Client): Promise<AppendOnly> {
  const result = await client.query<{ may_change: boolean }>(
    `SELECT bool_or(pg_has_role(current_user, relowner, 'MEMBER') OR has_table_privilege(oid, 'UPDATE, DELETE, TRUNCATE'))
            AS may_change
     FROM pg_class
     WHERE relnamespace IN ('governance'::regnamespace, 'intake'::regnamespace) AND relkind IN ('r', 'p')
       AND relnamespace::regnamespace || '.' || relname <> ALL ($1)`,
    [Object.keys(STATE_TABLES)],
  )
  return result.rows[0]?.may_change === false ? 'enforced' : 'not-enforced'
}

async function asService<T>(serviceUrl: string, work: (client: pg.Client) => Promise<T>): Promise<T> {
  const client = new pg.Client({ connectionString: serviceUrl, connectionTimeoutMillis: 10_000 })
  client.on('error', () => undefined)
  await client.connect()
  try {
    return await work(client)
  } finally {
    await client.end()
  }
}
