import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import { writeInstant } from '../../src/exact/time.ts'
import { createRevision, replaceRevision, submitRevision } from '../../src/plans/acts/draft.ts'
import { withdrawRevision } from '../../src/plans/acts/stop.ts'
import { getRevision } from '../../src/plans/reads.ts'
import type { Revision, RevisionKey } from '../../src/plans/record.ts'
import { readChangesSince } from '../../src/platform/gate.ts'
import { createVersion } from '../../src/products/acts.ts'
import { approver, author, coAuthor, type Line, openWorks, refusalOf, type Works } from './works.ts'

let works: Works
let line: Line
let R1: RevisionKey
let R2: RevisionKey
let R3: RevisionKey
beforeAll(async () => {
  works = await openWorks()
})
afterAll(() => works.close())
beforeEach(async () => {
  line = await works.line()
  R1 = line.key(1)
  R2 = line.key(2)
  R3 = line.key(3)
})

const services = () => ({ database: works.database })
const intervals = ({ inForce }: Revision) =>
  inForce.map(({ variant, site, from, until }) => `${variant} ${site} ${from} ${until ?? 'on'}`)
const pointers = async (work: Promise<unknown>) => {
  const problem = await refusalOf(work)
  return [problem.key, ...(problem.errors ?? []).map(({ pointer }) => pointer)]
}

describe('a draft', () => {
  test('is stored with what was sent, its digest and its author', async () => {
    const created = await line.draft(R1)
    expect(created).toMatchObject({
      plan: line.plan,
      revision: 1,
      state: 'draft',
      content: line.planContent({ '/revision': 1 }),
      authors: [author.person],
      createdAt: writeInstant(works.clock.at),
      submittedAt: null,
      inForce: [],
      check: null,
    })
    expect(await getRevision(works.database.sql, R1)).toEqual(created)
  })

  test('names every field that is wrong', async () => {
    const content = line.planContent({ '/plan': 'other', '/revision': 2 })
    const create = (draft: Parameters<typeof createRevision>[3]) => createRevision(services(), author, line.plan, draft)
    expect(await pointers(create({ content }))).toEqual(['field-invalid', '/content/plan', '/changeReason'])
    const wrong = line.planContent({
      '/revision': 1,
      '/productDigest': `sha256:${'0'.repeat(64)}`,
      '/sites': ['leeds', 'hull'],
      '/steps/1/after': ['nothing'],
    })
    expect(await pointers(create({ content: wrong }))).toEqual([
      'field-invalid',
      '/content/productDigest',
      '/content/sites/1',
      '/content/steps/1/after/0',
    ])
    const unknown = line.planContent({ '/revision': 1, '/productVersion': 9 })
    expect(await pointers(create({ content: unknown }))).toEqual(['field-invalid', '/content/productVersion'])
  })

  test('keeps the number above all earlier ones, and the plan to its product and operation', async () => {
    await line.draft(R2)
    expect((await refusalOf(line.draft(R1))).key).toBe('number-not-higher')
    expect((await refusalOf(line.draft(R2))).key).toBe('already-exists')
    const product = `${line.product}-B`
    const productDigest = await line.confirm(line.productContent({ '/product': product, '/version': 1 }))
    const other = {
      '/product': product,
      '/productVersion': 1,
      '/productDigest': productDigest,
      '/operation': 'in-process',
    }
    expect(await pointers(line.draft(R3, other))).toEqual(['field-invalid', '/content/product', '/content/operation'])
  })

  test('is replaced only by who saw it, and whoever replaces it becomes an author', async () => {
    const { digest } = await line.draft(R1)
    const content = line.planContent({ '/revision': 1, '/attemptsWithoutCauseMax': 3 })
    const seen: string[] = []
    const replaced = await replaceRevision(services(), coAuthor, R1, { content }, (current) => seen.push(current))
    expect(seen).toEqual([digest])
    expect(replaced.authors).toEqual([author.person, coAuthor.person])
    expect(replaced.digest).not.toBe(digest)
    const refuse = () => {
      throw new Error('stale')
    }
    await expect(replaceRevision(services(), author, R1, { content }, refuse)).rejects.toThrow('stale')
    await submitRevision(services(), author, R1, { digest: replaced.digest })
    const locked = replaceRevision(services(), author, R1, { content }, () => undefined)
    expect((await refusalOf(locked)).key).toBe('revision-locked')
  })
})

describe('a submission', () => {
  test('freezes content that conforms, and stores its check', async () => {
    await line.publishBond(1, '10')
    line.tick()
    const submitted = await line.submitted(R1)
    expect(submitted).toMatchObject({ state: 'in-review', submittedBy: author.person, authors: [author.person] })
    expect(submitted.check).toMatchObject({
      verdict: 'conforms',
      editions: [`bond-routine-${line.plan.slice('final-'.length)}/1`],
      blockingCount: 0,
    })
    expect((await refusalOf(submitRevision(services(), author, R1, { digest: submitted.digest }))).key).toBe(
      'state-conflict',
    )
  })

  test('by another person makes no author of that person', async () => {
    const { digest } = await line.draft(R1)
    expect((await submitRevision(services(), coAuthor, R1, { digest })).authors).toEqual([author.person])
  })

  test('is refused with the findings that hold now, and not for those that begin later', async () => {
    await line.publishBond(1, '25', works.clock.at + 1_000)
    const { digest } = await line.draft(R1)
    line.tick(1_000)
    const refusal = await refusalOf(submitRevision(services(), author, R1, { digest }))
    expect(refusal.key).toBe('findings-block')
    expect(refusal.members).toMatchObject({
      findings: Array(2).fill({ code: 'requirement-not-met', edition: 1, demanded: { value: '25', unit: 'A' } }),
    })
    expect((await getRevision(works.database.sql, R1)).state).toBe('draft')
  })

  test('goes through while the rule that it breaks is only scheduled', async () => {
    await line.publishBond(1, '25', works.clock.at + 1_000)
    const submitted = await line.submitted(R1)
    expect(submitted.check).toMatchObject({ verdict: 'blocked', blockingCount: 2 })
  })

  test('needs a confirmed product version', async () => {
    const content = line.productContent({ '/version': 4 })
    const version = await createVersion(services(), author, line.product, { content, changeReason: 'test' })
    const cites = { '/productVersion': 4, '/productDigest': version.digest }
    const { digest } = await line.draft(R1, cites)
    const refusal = await refusalOf(submitRevision(services(), author, R1, { digest }))
    expect(refusal.members).toMatchObject({ findings: [{ code: 'product-version-unconfirmed' }] })
  })

  test('is bound to the digest', async () => {
    await line.draft(R1)
    const stale = { digest: `sha256:${'0'.repeat(64)}` }
    expect((await refusalOf(submitRevision(services(), author, R1, stale))).key).toBe('digest-stale')
  })
})

describe('an approval', () => {
  test('takes a second person, who saw the present content', async () => {
    const { digest } = await line.draft(R1)
    const content = line.planContent({ '/revision': 1, '/attemptsWithoutCauseMax': 3 })
    const second = await replaceRevision(services(), coAuthor, R1, { content }, () => undefined)
    const draft = await refusalOf(line.approve(second))
    expect([draft.key, draft.members]).toEqual(['state-conflict', { state: 'draft' }])
    const submitted = await submitRevision(services(), author, R1, { digest: second.digest })
    expect((await refusalOf(line.approve({ ...submitted, digest }))).key).toBe('digest-stale')
    expect((await refusalOf(line.approve(submitted, 'at-once', coAuthor))).key).toBe('two-people-required')
    expect((await refusalOf(line.approve(submitted, 'at-once', author))).key).toBe('two-people-required')
    expect((await line.approve(submitted)).state).toBe('approved')
    expect((await refusalOf(line.approve(submitted))).key).toBe('state-conflict')
  })

  test('at once is one millisecond after the commit; an instant that has come is refused, a later one is taken', async () => {
    const submitted = await line.submitted(R1)
    const now = works.clock.at
    const passed = await refusalOf(line.approve(submitted, now))
    expect([passed.key, passed.errors?.[0]?.pointer]).toEqual(['effective-instant-passed', '/inForceFrom'])
    const approved = await line.approve(submitted)
    const from = writeInstant(now + 1)
    expect(approved.inForceFrom).toBe(from)
    expect(intervals(approved)).toEqual([`EX36-3M leeds ${from} on`, `EX36-5M leeds ${from} on`])

    line.tick()
    const later = await line.approved(R2, works.clock.at + 5_000)
    expect(later.inForceFrom).toBe(writeInstant(works.clock.at + 5_000))
  })

  test('ends the plan’s own predecessor at the instant, and ends before its own successor', async () => {
    const { at } = works.clock
    await line.approved(R1)
    await line.approved(R3, at + 9_000)
    line.tick()
    const second = await line.approved({ plan: line.plan, revision: 4 }, at + 5_000)
    const [first, third] = await Promise.all([R1, R3].map((key) => getRevision(works.database.sql, key)))
    const ends = (revision: Revision | undefined) => revision?.inForce.map(({ until }) => until)
    expect(ends(first)).toEqual([writeInstant(at + 5_000), writeInstant(at + 5_000)])
    expect(ends(second)).toEqual([writeInstant(at + 9_000), writeInstant(at + 9_000)])
    expect(ends(third)).toEqual([null, null])
  })

  test('is not ended by a scheduled one that was withdrawn before', async () => {
    await line.approved(R1, works.clock.at + 5_000)
    await line.withdraw(R1)
    line.tick()
    expect((await line.approved(R2)).inForce.map(({ until }) => until)).toEqual([null, null])
  })

  test('at the very instant of a scheduled one replaces it', async () => {
    const { at } = works.clock
    const first = await line.approved(R1, at + 5_000)
    await line.approved(R2, at + 5_000)
    const replaced = await getRevision(works.database.sql, R1)
    expect(replaced.inForce.map(({ from, until }) => from === until)).toEqual([true, true])
    expect(replaced.state).toBe(first.state)
  })

  test('takes all sites open then, where the content names none', async () => {
    const approved = await line.approved(R1, 'at-once', { '/sites': undefined })
    expect(approved.inForce.map(({ variant, site }) => `${variant} ${site}`)).toEqual([
      'EX36-3M leeds',
      'EX36-3M osaka',
      'EX36-5M leeds',
      'EX36-5M osaka',
    ])
  })

  test('is refused while another plan is in force for a variant and site, and names it', async () => {
    await line.approved(R1)
    const second = { plan: `${line.plan}-second`, revision: 1 }
    const other = await line.submitted(second, { '/sites': ['osaka', 'leeds'] })
    const refusal = await refusalOf(line.approve(other))
    expect(refusal.key).toBe('other-plan-in-force')
    expect(refusal.detail).toContain(`Revision 1 of ${line.plan} is in force for EX36-3M at leeds`)
    expect(refusal.members).toMatchObject({
      conflicts: [
        { plan: line.plan, revision: 1, variant: 'EX36-3M', site: 'leeds', until: null },
        { plan: line.plan, revision: 1, variant: 'EX36-5M', site: 'leeds', until: null },
      ],
    })
    expect((await getRevision(works.database.sql, second)).inForce).toEqual([])
    const elsewhere = await line.approved({ plan: `${line.plan}-third`, revision: 1 }, 'at-once', {
      '/sites': ['osaka'],
    })
    expect(elsewhere.state).toBe('approved')
    await line.withdraw(R1)
    line.tick(2)
    const onlyLeeds = await line.approved({ plan: `${line.plan}-fourth`, revision: 1 })
    expect(onlyLeeds.state).toBe('approved')
  })

  test('is held by the database even where nobody looks', async () => {
    await line.approved(R1)
    await line.draft(R2)
    const overlapping = works.database.sql.query(
      `INSERT INTO governance.in_force (plan, revision, product, variant, operation, site, from_at)
       SELECT plan, 2, product, variant, operation, site, from_at + interval '1 hour' FROM governance.in_force`,
    )
    await expect(overlapping).rejects.toThrow(/in_force_one/)
  })

  test('is refused where a finding blocks at its instant, and warned of one that begins later', async () => {
    const { at } = works.clock
    await line.publishBond(1, '25', at + 5_000)
    const submitted = await line.submitted(R1)
    const refusal = await refusalOf(line.approve(submitted, at + 5_000))
    expect(refusal.key).toBe('findings-block')
    expect(refusal.members).toMatchObject({
      findings: Array(2).fill({ code: 'requirement-not-met', from: writeInstant(at + 5_000) }),
    })
    const approved = await line.approve(submitted, at + 4_999)
    expect(approved.findings).toMatchObject([
      // The line's rule set has no table in effect until then.
      { severity: 'warning', code: 'rules-silent', step: 'bond', until: writeInstant(at + 5_000) },
      ...['insulation', 'strength', 'touch'].map((step) => ({ code: 'rules-silent', step, until: null })),
      { severity: 'warning', code: 'rule-set-empty', until: writeInstant(at + 5_000) },
      ...Array(2).fill({ severity: 'blocking', from: writeInstant(at + 5_000), until: null }),
    ])
    expect(await line.blocks(R1)).toEqual(['[5000, on)'])
  })

  test('judges by the rules of its own instant, though they were published after the submission', async () => {
    const submitted = await line.submitted(R1)
    const before = submitted.check?.rulesVersion ?? 0
    await line.publishStrength(1, [['9000', '1']])
    line.tick()
    expect((await refusalOf(line.approve(submitted))).key).toBe('findings-block')
    await line.publishStrength(2, [['1200', '1']])
    line.tick()
    const approved = await line.approve(submitted)
    expect(approved.check).toMatchObject({ rulesVersion: before + 2 })
    expect(await line.blocks(R1)).toEqual([])
  })

  test('tells the gate of every revision that it changes', async () => {
    await line.approved(R1)
    const submitted = await line.submitted(R2)
    const before = await versionAt('leeds')
    line.tick()
    await line.approve(submitted)
    expect(await readChangesSince(works.database.sql, 'leeds', before)).toEqual([
      { kind: 'revision', key: `${line.plan}/1` },
      { kind: 'revision', key: `${line.plan}/2` },
    ])
  })
})

async function versionAt(site: string): Promise<number> {
  const [row] = await works.database.sql.query<{ version: number }>(
    'SELECT version FROM intake.gate WHERE site_id = $1',
    [site],
  )
  return row?.version ?? -1
}

describe('a withdrawal', () => {
  test('holds from its commit on, by one person', async () => {
    await line.approved(R1)
    line.tick(1_000)
    const withdrawn = await withdrawRevision(services(), author, R1, { reason: 'wrong limit' })
    const from = writeInstant(works.clock.at + 1)
    expect(withdrawn).toMatchObject({ state: 'withdrawn', withdrawnReason: 'wrong limit', withdrawnFrom: from })
    expect(withdrawn.inForce.map(({ until }) => until)).toEqual([from, from])
    expect((await refusalOf(line.withdraw(R1))).key).toBe('state-conflict')
  })

  test('of a scheduled revision empties it; what it ended stays ended', async () => {
    const { at } = works.clock
    await line.approved(R1)
    await line.approved(R2, at + 5_000)
    const withdrawn = await line.withdraw(R2)
    expect(withdrawn.inForce.map(({ from, until }) => [from, until])).toEqual(
      Array(2).fill([writeInstant(at + 5_000), writeInstant(at + 5_000)]),
    )
    expect((await getRevision(works.database.sql, R1)).inForce.map(({ until }) => until)).toEqual(
      Array(2).fill(writeInstant(at + 5_000)),
    )
  })

  test('is refused for a draft, for one that has ended, and without a reason', async () => {
    await line.draft(R1)
    expect((await refusalOf(line.withdraw(R1))).key).toBe('state-conflict')
    await line.approved(R2)
    line.tick()
    await line.approved(R3)
    line.tick(10)
    expect((await refusalOf(line.withdraw(R2))).key).toBe('state-conflict')
    const blank = withdrawRevision(services(), approver, R3, { reason: ' ' })
    expect(await pointers(blank)).toEqual(['field-invalid', '/reason'])
  })
})

test('acts on a revision that is not there say so', async () => {
  const nowhere = { plan: 'nowhere', revision: 1 }
  const digest = `sha256:${'0'.repeat(64)}`
  const draft = await line.draft(R1)
  expect((await refusalOf(submitRevision(services(), author, nowhere, { digest }))).key).toBe('revision-not-found')
  expect((await refusalOf(line.approve({ ...draft, ...nowhere }))).key).toBe('revision-not-found')
  expect((await refusalOf(line.withdraw(nowhere))).key).toBe('revision-not-found')
})

test('every act leaves a ledger entry under its own name', async () => {
  await line.approved(R1)
  line.tick()
  await line.withdraw(R1)
  const rows = await works.database.sql.query<{ content: string }>(
    'SELECT content FROM intake.ledger_entries ORDER BY recorded_at, entry_id',
  )
  const entries = rows
    .map(({ content }) => JSON.parse(content))
    .filter(({ subject }) => subject === `plans/${line.plan}/revisions/1`)
  expect(entries.map(({ action, by }) => `${action} ${by}`).sort()).toEqual([
    'approveRevision P-0101',
    'createRevision P-0100',
    'submitRevision P-0100',
    'withdrawRevision P-0101',
  ])
})
