import { runActOf } from '../../access/acts-live.ts'
import type { PersonActor } from '../../access/words.ts'
import { canonicalText, digestOf } from '../../exact/canonical.ts'
import { readInstant, writeInstant } from '../../exact/time.ts'
import { recordEntry } from '../../ledger/acts.ts'
import type { Database } from '../../platform/database/pool.ts'
import { isTaken } from '../../platform/database/transaction.ts'
import type { Act } from '../../platform/gate.ts'
import { fieldInvalid, Problem, requireText } from '../../platform/problems.ts'
import { readEffect } from '../../platform/versioned-words.ts'
import { getVersion } from '../../products/reads.ts'
import { variantNames } from '../../products/versions.ts'
import { blockDemand } from '../findings.ts'
import { type PermitRecord, permitContent, permitNotFound, writePermit } from '../permit-record.ts'
import type {
  PermitAnswer,
  PermitApproval,
  PermitContent,
  PermitDraft,
  PermitWithdrawal,
  RelaxedLimit,
} from '../permit-words.ts'
import { checkRelaxed, type RelaxedCheck } from '../reads-relaxed.ts'
import { contentOf, nameOf, type RevisionKey, type RevisionRecord, revisionNotFound } from '../record.ts'
import { checkPermit, relaxationOf } from '../relax.ts'
import { stepBlocks } from '../step-blocks.ts'
import { selectRevision, selectSites } from '../store.ts'
import {
  insertPermit,
  markPermitApproved,
  markPermitWithdrawn,
  selectPermit,
  selectPermitsInUse,
} from '../store-permits.ts'
import { type PlanServices, TRIES_MAX } from './draft.ts'

/**
 * Asks for leave to depart from one limit of a revision. It permits nothing until another person has approved it.
 * @throws Problem `already-exists`, `revision-not-found`, `digest-stale`, `state-conflict`, `field-invalid`
 */
export async function requestPermit(
  { database }: PlanServices,
  actor: PersonActor,
  { content }: PermitDraft,
): Promise<PermitAnswer> {
  const until = readInstant(content.validUntil)
  if ('refused' in until) throw fieldInvalid('/content/validUntil', 'must be an instant with an offset')
  return runActOf(database, actor, async (act) => {
    if (until.at <= act.at) throw fieldInvalid('/content/validUntil', 'must lie after this act')
    await requireSound(act, content)
    const text = canonicalText(content)
    const record: PermitRecord = {
      permit: content.permit,
      plan: content.plan,
      revision: content.revision,
      state: 'requested',
      content: text,
      digest: digestOf(text),
      requestedAt: act.at,
      requestedBy: actor.person,
      approvedAt: null,
      approvedBy: null,
      meaning: null,
      validFrom: null,
      validUntil: until.at,
      withdrawnAt: null,
      withdrawnBy: null,
      withdrawalReason: null,
      checkedVersion: null,
      blocks: '[]',
      used: 0,
    }
    const { used: _, ...row } = record
    try {
      await insertPermit(act, row)
    } catch (error) {
      if (!isTaken(error)) throw error
      throw new Problem('already-exists', { detail: `Permit ${content.permit} exists.`, cause: error })
    }
    return entered(act, 'requestPermit', actor, record, { plan: content.plan, revision: content.revision })
  })
}

/**
 * The second person's leave. Refused where rules in effect at its beginning do not allow the relaxed limit, or another
 * permit relaxes the same at the same time; what begins to forbid it later ends it by itself.
 * @throws Problem `permit-not-found`, `state-conflict`, `digest-stale`, `two-people-required`, `beyond-rules`,
 *   `effective-instant-passed`, `field-invalid`
 */
export async function approvePermit(
  { database }: PlanServices,
  actor: PersonActor,
  permit: string,
  { digest, validFrom, meaning }: PermitApproval,
): Promise<PermitAnswer> {
  const asked = readEffect(validFrom, '/validFrom')
  requireText(meaning, '/meaning')
  for (let tries = 0; tries < TRIES_MAX; tries += 1) {
    const checked = await checkOf(database, permit)
    const answer = await runActOf(database, actor, async (act) => {
      if (act.rulesVersion !== checked.rulesVersion) return undefined
      const record = await findPermit(act, permit)
      requireState(record, 'requested', 'approved')
      if (digest !== record.digest) {
        throw new Problem('digest-stale', {
          detail: `Permit ${permit} has another digest. Read it again before signing.`,
        })
      }
      if (actor.person === record.requestedBy) {
        throw new Problem('two-people-required', {
          detail: `${actor.person} asked for permit ${permit}; someone else must approve it.`,
        })
      }
      const from = act.effectiveAt(asked, '/validFrom')
      if (from >= record.validUntil)
        throw fieldInvalid('/validFrom', `must lie before ${writeInstant(record.validUntil)}`)
      const content = permitContent(record)
      await requireSound(act, content)
      await requireNoOther(act, content, { from, until: record.validUntil })
      checked.requireWithinRules(from)
      const demand = blockDemand(checked.check.findings, from)
      const blocks = stepBlocks([], demand, { version: act.rulesVersion, publishedAt: act.at })
      const { rulesVersion } = act
      const { quantity } = content
      await markPermitApproved(act, permit, {
        by: actor.person,
        meaning,
        validFrom: from,
        quantity,
        rulesVersion,
        blocks,
      })
      act.touch('revision', `${record.plan}/${record.revision}`, 'all')
      const after: PermitRecord = {
        ...record,
        state: 'approved',
        approvedAt: act.at,
        approvedBy: actor.person,
        meaning,
        validFrom: from,
        blocks: JSON.stringify(blocks),
      }
      const facts = { meaning, validFrom: writeInstant(from), quantity, rulesVersion }
      return entered(act, 'approvePermit', actor, after, facts)
    })
    if (answer !== undefined) return answer
  }
  throw new Problem('rules-changed', { detail: `Rules were published while permit ${permit} was being checked.` })
}

/**
 * Ends a permit, from this commit on; what passed under it stays. One person is enough to stop anything.
 * @throws Problem `permit-not-found`, `state-conflict`, `field-invalid`
 */
export async function withdrawPermit(
  { database }: PlanServices,
  actor: PersonActor,
  permit: string,
  { reason }: PermitWithdrawal,
): Promise<PermitAnswer> {
  requireText(reason, '/reason')
  return runActOf(database, actor, async (act) => {
    const record = await findPermit(act, permit)
    if (record.state === 'withdrawn') requireState(record, 'approved', 'withdrawn')
    const validUntil = Math.min(record.validUntil, act.effectiveAt('at-once', ''))
    await markPermitWithdrawn(act, permit, { by: actor.person, reason, validUntil })
    act.touch('revision', `${record.plan}/${record.revision}`, 'all')
    const after: PermitRecord = {
      ...record,
      state: 'withdrawn',
      validUntil,
      withdrawnAt: act.at,
      withdrawnBy: actor.person,
      withdrawalReason: reason,
    }
    return entered(act, 'withdrawPermit', actor, after, { reason, validUntil: writeInstant(validUntil) })
  })
}

/** What the rules say of the revision with the limit relaxed; made before the gate is taken. */
async function checkOf(database: Database, permit: string): Promise<RelaxedCheck> {
  const record = await selectPermit(database.sql, permit)
  if (record === undefined) throw permitNotFound(permit)
  return checkRelaxed(database, record, [relaxationOf(permitContent(record))])
}

/** @throws Problem naming what the permit says that does not fit its revision */
async function requireSound(act: Act, permit: PermitContent): Promise<void> {
  const revision = await findRevision(act.sql, permit)
  if (revision.digest !== permit.revisionDigest) {
    throw new Problem('digest-stale', {
      detail: `The content of ${nameOf(revision)} has the digest ${revision.digest}.`,
      errors: [{ pointer: '/content/revisionDigest', code: 'digest-stale', detail: revision.digest }],
    })
  }
  if (revision.state !== 'approved') {
    throw new Problem('state-conflict', {
      detail: `${nameOf(revision)} is ${revision.state}; only an approved revision can be departed from.`,
      members: { state: revision.state },
    })
  }
  const content = contentOf(revision)
  const { variants } = await versionOf(act.sql, content)
  const refusals = checkPermit(permit, content, variants)
  const sites = permit.sites ? await selectSites(act.sql) : []
  for (const [index, site] of (permit.sites ?? []).entries()) {
    if (!sites.includes(site))
      refusals.push({ pointer: `/sites/${index}`, code: 'field-invalid', detail: `there is no site ${site}` })
  }
  if (refusals.length === 0) return
  throw new Problem('field-invalid', {
    errors: refusals.map((refusal) => ({ ...refusal, pointer: `/content${refusal.pointer}` })),
  })
}

/** Two permits for one limit at one time would leave it open which of them a unit used. */
async function requireNoOther(
  act: Act,
  permit: PermitContent,
  { from, until }: { readonly from: number; readonly until: number },
): Promise<void> {
  const member = memberOf(permit)
  for (const record of await selectPermitsInUse(act.sql, [permit], from)) {
    const other = permitContent(record)
    const isSame =
      other.step === permit.step &&
      memberOf(other) === member &&
      meets([other.measurement ?? null], [permit.measurement ?? null]) &&
      meets(other.variants ?? [null], permit.variants ?? [null]) &&
      meets(other.sites ?? [null], permit.sites ?? [null])
    if (!isSame || (record.validFrom ?? 0) >= until) continue
    throw new Problem('state-conflict', {
      detail: `Permit ${record.permit} relaxes the same limit until ${writeInstant(record.validUntil)}; withdraw it first.`,
      members: { state: 'requested' },
    })
  }
}

function memberOf(permit: PermitContent): RelaxedLimit {
  return relaxationOf(permit).member
}

/** Null stands for all. */
function meets(some: readonly (string | null)[], others: readonly (string | null)[]): boolean {
  return some.some((one) => others.some((other) => one === null || other === null || one === other))
}

async function findRevision(sql: Act['sql'], key: RevisionKey): Promise<RevisionRecord> {
  const record = await selectRevision(sql, { plan: key.plan, revision: key.revision })
  if (record === undefined) throw revisionNotFound(key)
  return record
}

async function versionOf(sql: Act['sql'], content: { readonly product: string; readonly productVersion: number }) {
  const version = await getVersion(sql, content.product, content.productVersion)
  return { variants: variantNames(version.content) }
}

async function findPermit(act: Act, permit: string): Promise<PermitRecord> {
  const record = await selectPermit(act.sql, permit)
  if (record === undefined) throw permitNotFound(permit)
  return record
}

function requireState(record: PermitRecord, needed: PermitRecord['state'], becomes: string): void {
  if (record.state === needed) return
  throw new Problem('state-conflict', {
    detail: `Permit ${record.permit} is ${record.state}; to be ${becomes} it must be ${needed}.`,
    members: { state: record.state },
  })
}

async function entered(
  act: Act,
  action: 'requestPermit' | 'approvePermit' | 'withdrawPermit',
  { person: by }: PersonActor,
  record: PermitRecord,
  facts: Readonly<Record<string, unknown>>,
): Promise<PermitAnswer> {
  const subject = `permits/${record.permit}`
  await recordEntry(act, { action, by, subject, facts: { digest: record.digest, ...facts } })
  return writePermit(record)
}
