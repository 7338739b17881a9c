import { randomBytes } from 'node:crypto'
import { writeInstant } from '../exact/time.ts'
import { recordEntry } from '../ledger/acts.ts'
import { ensureMonths } from '../platform/database/partitions.ts'
import type { Database } from '../platform/database/pool.ts'
import { inTransaction, type Sql } from '../platform/database/transaction.ts'
import { Problem } from '../platform/problems.ts'
import { runActOf } from './acts-live.ts'
import { writeBase32 } from './base32.ts'
import {
  CODE_DIGITS,
  CODE_PERIOD_SECONDS,
  CODE_SECRET_BYTES,
  matchingStep,
  NONCE_BYTES,
  openSecret,
  otpauthUri,
  PRESENCE_MS,
  sealSecret,
} from './signature.ts'
import {
  endPresence,
  insertSecret,
  insertUsedCode,
  markSecretVoided,
  selectNow,
  selectPerson,
  selectPresence,
  selectSecret,
  upsertPresence,
} from './store.ts'
import type { OneTimeSecretAnswer, PersonActor, Reason } from './words.ts'
import { type WrongCodes, wrongCodes } from './wrong-codes.ts'

/**
 * Makes the secret for one-time codes and shows it, once, to the person whose own key asks.
 * @throws Problem `permission-missing` for anyone else, `secret-already-fetched`
 */
export async function fetchOneTimeSecret(
  database: Database,
  secretsKey: Uint8Array,
  actor: PersonActor,
  person: string,
): Promise<OneTimeSecretAnswer> {
  if (actor.person !== person) {
    throw new Problem('permission-missing', { detail: 'A secret is fetched by its own person.' })
  }
  return runActOf(database, actor, async (act) => {
    const secret = randomBytes(CODE_SECRET_BYTES)
    const sealed = sealSecret(secretsKey, person, secret, randomBytes(NONCE_BYTES))
    if (!(await insertSecret(act.sql, { person, at: act.at, sealed }))) {
      throw new Problem('secret-already-fetched', {
        detail: 'An administrator can void it; then it can be fetched anew.',
      })
    }
    await recordEntry(act, {
      action: 'fetchOneTimeSecret',
      by: actor.person,
      subject: `persons/${person}`,
      facts: {},
    })
    return {
      person,
      secret: writeBase32(secret),
      uri: otpauthUri(person, secret),
      algorithm: 'SHA1',
      digits: CODE_DIGITS,
      periodSeconds: CODE_PERIOD_SECONDS,
      fetchedAt: writeInstant(act.at),
    }
  })
}

/**
 * Voids a person's secret and ends the presence it opened. The person then fetches a new one.
 * @throws Problem `person-not-found`, `one-time-secret-not-found`
 */
export async function voidOneTimeSecret(
  database: Database,
  actor: PersonActor,
  person: string,
  { reason }: Reason,
): Promise<{ person: string; voidedAt: string; voidedBy: string; reason: string }> {
  return runActOf(database, actor, async (act) => {
    if ((await selectPerson(act.prisma, person)) === undefined) {
      throw new Problem('person-not-found')
    }
    if (!(await markSecretVoided(act.sql, { person, at: act.at, by: actor.person }))) {
      throw new Problem('one-time-secret-not-found')
    }
    await endPresence(act.sql, person, act.at)
    await recordEntry(act, {
      action: 'voidOneTimeSecret',
      by: actor.person,
      subject: `persons/${person}`,
      facts: { reason },
    })
    return { person, voidedAt: writeInstant(act.at), voidedBy: actor.person, reason }
  })
}

/** Checks that the person behind a key is there: by a one-time code, or within the five minutes the last one opened. */
export type VerifyPresence = (actor: PersonActor, code: string | undefined) => Promise<void>

/**
 * The check of presence on one database. A code that is sent is always looked at, also while presence is open. The clock
 * is read inside the transaction that uses the code up, and what opened the presence is recorded there.
 * @throws Problem `one-time-code-missing`, `one-time-code-invalid` (from the function returned)
 */
export function presenceOn(
  database: Database,
  secretsKey: Uint8Array,
  wrong: WrongCodes = wrongCodes(),
): VerifyPresence {
  return async (actor, code) => {
    await ensureMonths(database, [database.clock.read(Date.now())], ['ledger_entries'])
    await inTransaction(database, async (sql) => {
      const at = database.clock.read(await selectNow(sql))
      if (code === undefined) {
        await assertPresent(sql, actor, at)
        return
      }
      const wait = wrong.waitMs(actor.person, at)
      if (wait > 0) {
        throw refusedCode('Too many wrong codes were sent.', { 'retry-after': String(Math.ceil(wait / 1000)) })
      }
      const sealed = await selectSecret(sql, actor.person)
      if (sealed === undefined) {
        throw refusedCode(`Fetch a secret first: POST /v1/persons/${actor.person}/one-time-code.`)
      }
      const step = matchingStep(openSecret(secretsKey, actor.person, sealed), code, at)
      if (step === undefined) {
        wrong.recordWrong(actor.person, at)
        throw refusedCode('The code is not the one of this time.')
      }
      if (!(await insertUsedCode(sql, actor.person, step))) {
        throw refusedCode(
          'The code was used before; each code counts once. For five minutes after a code the key alone is enough: leave the header out.',
        )
      }
      wrong.clear(actor.person)
      await upsertPresence(sql, actor.key, at + PRESENCE_MS)
      await recordEntry(
        { sql, ids: database.ids, at, key: actor.key },
        { action: 'openPresence', by: actor.person, subject: `persons/${actor.person}`, facts: { timeStep: step } },
      )
    })
  }
}

async function assertPresent(sql: Sql, actor: PersonActor, at: number): Promise<void> {
  if (!(await isPresent(sql, actor, at))) {
    throw new Problem('one-time-code-missing', { detail: 'Send the header One-Time-Code.' })
  }
}

/** Presence is never open for longer than five minutes, also where the clock was set back in between. */
async function isPresent(sql: Sql, actor: PersonActor, at: number): Promise<boolean> {
  const until = await selectPresence(sql, actor.key)
  return until !== undefined && at < until && until - at <= PRESENCE_MS
}

function refusedCode(detail: string, headers: Record<string, string> = {}): Problem {
  return new Problem('one-time-code-invalid', { detail, headers })
}
