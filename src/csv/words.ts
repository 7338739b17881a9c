import { z } from 'zod'
import { DigestWire } from '../exact/canonical.ts'
import { KeyWire, TextWire } from '../exact/text.ts'
import { InstantWire } from '../exact/time.ts'
import { EffectWire, NumberWire } from '../platform/versioned-words.ts'
import { type CsvFault, type CsvFaultCode, csvFaultTexts } from './faults.ts'
import { profileIssues, profileMembers } from './profile.ts'

export const profileStates = ['in-review', 'confirmed', 'withdrawn'] as const
export type ProfileState = (typeof profileStates)[number]

/** What a profile says, with the station and the number that its digest binds it to. */
export const ProfileContentWire = z
  .strictObject({ station: KeyWire, profile: NumberWire, ...profileMembers })
  .check(({ value, issues }) => {
    const complain = (path: (string | number)[], message: string) =>
      issues.push({ code: 'custom', input: value, path, message })
    for (const { path, message } of profileIssues(value)) complain(path, message)
    if (value.template['station'] !== value.station) complain(['template', 'station'], 'must be the station itself')
    for (const [index, { at }] of value.columns.entries()) {
      if (at === '/station') complain(['columns', index, 'at'], 'a file holds the runs of one station')
    }
  })
  .meta({ id: 'StationProfileContent' })
export type ProfileContent = z.infer<typeof ProfileContentWire>

/** `POST /v1/stations/{station}/profiles`. */
export const ProfileDraftWire = z
  .strictObject({ content: ProfileContentWire, changeReason: TextWire(1000).nullish() })
  .meta({ id: 'StationProfileDraft' })
export type ProfileDraft = z.infer<typeof ProfileDraftWire>

export const ProfileConfirmationWire = z
  .strictObject({
    digest: DigestWire,
    /** What the signature means, in the signer's words. */
    meaning: TextWire(200),
    /** Absent: at once. */
    effectiveFrom: EffectWire.nullish(),
  })
  .meta({ id: 'StationProfileConfirmation' })
export type ProfileConfirmation = z.infer<typeof ProfileConfirmationWire>

/** A profile as it is answered. What has not happened is null. */
export const StationProfileWire = z
  .strictObject({
    station: KeyWire,
    profile: z.int(),
    state: z.enum(profileStates),
    content: ProfileContentWire,
    digest: DigestWire.describe('What the second person signs'),
    changeReason: z.string().nullable(),
    createdAt: InstantWire,
    createdBy: z.string(),
    confirmedAt: InstantWire.nullable(),
    confirmedBy: z.string().nullable(),
    confirmedMeaning: z.string().nullable(),
    effectiveFrom: InstantWire.nullable().describe('It holds from then until another of the station takes effect'),
    withdrawnAt: InstantWire.nullable(),
    withdrawnBy: z.string().nullable(),
    withdrawnReason: z.string().nullable(),
  })
  .meta({ id: 'StationProfile' })
export type StationProfile = z.infer<typeof StationProfileWire>

const CODES = Object.keys(csvFaultTexts) as [CsvFaultCode, ...CsvFaultCode[]]

export const CsvFaultWire = z
  .strictObject({
    code: z.enum(CODES),
    row: z.int().min(1).describe('The header is row 1'),
    column: z.int().min(1).nullable(),
    header: z.string().nullable().describe('Over the column; of a missing column the one that should be there'),
    offset: z.int().min(0).describe('Bytes of the file before the fault'),
    detail: z.string(),
  })
  .meta({ id: 'CsvFault' })

/** A file that a station sent, whatever became of it. */
export const StationFileWire = z
  .strictObject({
    fileId: z.string().describe('Of a file that was taken also the id of the batch of its rows'),
    site: z.string(),
    station: z.string(),
    sender: z.string().describe('The access key it came with'),
    receivedAt: InstantWire,
    digest: DigestWire.describe('SHA-256 over the bytes that are kept, inflated where they came compressed'),
    length: z.int().describe('Bytes that are kept; of a file that is too long its beginning alone'),
    profile: z.int().nullable().describe('The profile by which it was read; null where none was in effect'),
    profileDigest: DigestWire.nullable(),
    rows: z.int().nullable().describe('Rows behind the header, each an upload; null where the file was refused'),
    fault: CsvFaultWire.nullable().describe('Why it was refused whole; null where it was taken'),
  })
  .meta({ id: 'StationFile' })
export type StationFile = z.infer<typeof StationFileWire>

/** A fault as it is answered. */
export function writeFault({ code, row, column, header, offset }: CsvFault): z.infer<typeof CsvFaultWire> {
  return { code, row, column: column ?? null, header: header ?? null, offset, detail: csvFaultTexts[code] }
}
