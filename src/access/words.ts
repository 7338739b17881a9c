import { z } from 'zod'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'

/** What a person may be. SQL repeats the list in the CHECK of governance.person; a test compares them. */
export const roles = ['author', 'approver', 'analyst', 'administrator'] as const
export type Role = (typeof roles)[number]

/** Whose key it is: a person's, one station's, or a gateway's that speaks for several stations of one site. */
export const keyKinds = ['person', 'station', 'gateway'] as const
export type KeyKind = (typeof keyKinds)[number]

/** Who asks, as found by an access key. `key` is the key's id, never its secret. */
export type Actor = PersonActor | MachineActor

export interface PersonActor {
  readonly kind: 'person'
  readonly key: string
  readonly person: string
  readonly roles: readonly Role[]
}

export interface MachineActor {
  readonly kind: 'station' | 'gateway'
  readonly key: string
  readonly site: string
  readonly stations: readonly string[]
}

/** Whom a permission lets in. `persons`: any person, a person with any role at all, or with one of those named. */
interface PermissionRule {
  readonly persons: 'nobody-asked' | 'none' | 'any' | 'any-role' | readonly Role[]
  /** Station and gateway keys, for their own stations; the handler narrows what they see. */
  readonly machines: boolean
  readonly meaning: string
}

/** Who may do what: read by the guard, the published document and the authorisation test alike. */
export const permissions = {
  public: { persons: 'nobody-asked', machines: true, meaning: 'Nobody is asked for a key.' },
  read: { persons: 'any-role', machines: false, meaning: 'A person with any role.' },
  'read-run': {
    persons: 'any-role',
    machines: true,
    meaning: 'A person with any role; a station or gateway key for its own stations.',
  },
  upload: { persons: 'none', machines: true, meaning: 'A station or gateway key, for its own stations.' },
  assignment: { persons: 'any', machines: true, meaning: 'Any person; a station or gateway key for its own stations.' },
  'setup-sheet': { persons: 'any', machines: false, meaning: 'Any person.' },
  program: { persons: 'any', machines: false, meaning: 'Any person.' },
  write: { persons: ['author'], machines: false, meaning: 'An author.' },
  sign: { persons: ['approver'], machines: false, meaning: 'An approver.' },
  stop: { persons: ['author', 'approver'], machines: false, meaning: 'An author or an approver.' },
  correct: { persons: ['author', 'approver'], machines: false, meaning: 'An author or an approver.' },
  ask: { persons: ['author', 'approver'], machines: false, meaning: 'An author or an approver.' },
  'record-unit': { persons: 'any-role', machines: false, meaning: 'A person with any role.' },
  administer: { persons: ['administrator'], machines: false, meaning: 'An administrator.' },
  'own-secret': { persons: 'any', machines: false, meaning: 'Any person, only for oneself.' },
} as const satisfies Record<string, PermissionRule>

export type Permission = keyof typeof permissions

/** Whether the actor may do what the permission names. What a machine key may see of it, the handler narrows. */
export function isPermitted(permission: Permission, actor: Actor): boolean {
  const rule: PermissionRule = permissions[permission]
  if (actor.kind !== 'person') {
    return rule.machines
  }
  switch (rule.persons) {
    case 'nobody-asked':
    case 'any':
      return true
    case 'none':
      return false
    case 'any-role':
      return actor.roles.length > 0
    default:
      return rule.persons.some((role) => actor.roles.includes(role))
  }
}

/** The machine that asks, behind a permission that lets no person in. */
export function machineOf(actor: Actor): MachineActor {
  if (actor.kind === 'person') throw new Error('a person came where only machine keys may')
  return actor
}

/** Whether the actor may speak for a station: a person for all, a machine key for those it names. */
export function speaksFor(actor: Actor, station: string): boolean {
  return actor.kind === 'person' || actor.stations.includes(station)
}

const MACHINE_PREFIX = 'key:'

/** Stands in rows and entries where the service itself acted: the first administrator is made by nobody else. */
export const SERVICE_NAME = 'service'

// ------------------------------------------------------------------------------------------------ wire shapes

const RolesWire = z
  .array(z.enum(roles))
  .max(roles.length)
  .refine((list) => new Set(list).size === list.length, 'A role is named twice.')

// Rows and ledger entries say in place of a person's key that the service did it, or an access key.
const isReserved = (person: string) => person === SERVICE_NAME || person.startsWith(MACHINE_PREFIX)

/** `POST /v1/persons`. A person without a role may still read assignments, setup sheets, and record programmings. */
export const PersonDraftWire = z
  .strictObject({
    person: KeyWire.refine((person) => !isReserved(person), 'This name is kept for the service and for access keys.'),
    name: TextWire(200),
    roles: RolesWire,
  })
  .meta({ id: 'PersonDraft' })
export type PersonDraft = z.infer<typeof PersonDraftWire>

export const PersonWire = z
  .strictObject({
    person: z.string(),
    name: z.string(),
    roles: z.array(z.enum(roles)),
    recordedAt: InstantWire,
    recordedBy: z.string(),
    oneTimeCode: z.enum(['fetched', 'not-fetched']).describe('Whether this person can sign with one-time codes'),
  })
  .meta({ id: 'Person' })
export type PersonAnswer = z.infer<typeof PersonWire>

/** Most stations of one gateway key. */
const STATIONS_MAX = 200

/** `POST /v1/keys`: for a person, for one station, or for a gateway and the stations of one site that it serves. */
export const KeyDraftWire = z
  .discriminatedUnion('kind', [
    z.strictObject({ kind: z.literal('person'), person: KeyWire.describe('Whose key it is') }),
    z.strictObject({ kind: z.literal('station'), station: KeyWire.describe('Which uploads and asks with it') }),
    z.strictObject({
      kind: z.literal('gateway'),
      site: KeyWire,
      stations: z
        .array(KeyWire)
        .min(1)
        .max(STATIONS_MAX)
        .refine((list) => new Set(list).size === list.length, 'A station is named twice.'),
    }),
  ])
  .meta({ id: 'AccessKeyDraft' })
export type KeyDraft = z.infer<typeof KeyDraftWire>

const keyMembers = {
  key: z.string().describe('The id of the key; its secret is never shown again'),
  kind: z.enum(keyKinds),
  person: z.string().nullable(),
  site: z.string().nullable(),
  stations: z.array(z.string()),
  recordedAt: InstantWire,
  recordedBy: z.string(),
  revokedAt: InstantWire.nullable(),
  revokedBy: z.string().nullable(),
  revokedReason: z.string().nullable(),
}

export const AccessKeyWire = z.strictObject(keyMembers).meta({ id: 'AccessKey' })
export type AccessKeyAnswer = z.infer<typeof AccessKeyWire>

/** The answer to issuing a key, once: `token` is what goes behind `Authorization: Bearer`. */
export const IssuedKeyWire = z.strictObject({ ...keyMembers, token: z.string() }).meta({ id: 'IssuedAccessKey' })
export type IssuedKey = z.infer<typeof IssuedKeyWire>

/** A reason in a person's own words, for the acts that ask for one. */
export const ReasonWire = z.strictObject({ reason: TextWire(1_000) }).meta({ id: 'Reason' })
export type Reason = z.infer<typeof ReasonWire>

/** The secret for one-time codes, shown once to its own person. */
export const OneTimeSecretWire = z
  .strictObject({
    person: z.string(),
    secret: z.string().describe('Base32 (RFC 4648), as authenticators take it'),
    uri: z.string().describe('The same as an otpauth URI, for a QR code'),
    algorithm: z.literal('SHA1'),
    digits: z.literal(6),
    periodSeconds: z.literal(30),
    fetchedAt: InstantWire,
  })
  .meta({ id: 'OneTimeSecret' })
export type OneTimeSecretAnswer = z.infer<typeof OneTimeSecretWire>

export const PersonParams = z.strictObject({ person: KeyWire })
export const KeyParams = z.strictObject({ key: KeyWire })
