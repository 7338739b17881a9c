import type { ContentRefusal } from '../../platform/problems.ts'

/** Stands in every file that shows limits; reading passes over it. */
export const CAUTION = 'High voltage can kill. Local code and licensed practice govern.'

/**
 * What a file says of an edition. Where something is missing, the rest is handed back all the same, so that it can be
 * filled in and nothing has to be typed again.
 */
export interface FileDraft {
  /** Members of `EditionContent`, as far as the file has them; not yet validated. */
  readonly content: Readonly<Record<string, unknown>>
  /** What the file does not say, or says in a way that a rule table has no place for. Pointers start at the content. */
  readonly missing: readonly ContentRefusal[]
  /** Where in the file a pointer into the content stands, in words; undefined where the file has no such place. */
  readonly placeOf: (pointer: string) => string | undefined
}

/** Why nothing of a file was read, with its place for a person. */
export interface FileFault {
  readonly code: string
  readonly detail: string
}

export type FileRead = { readonly draft: FileDraft } | { readonly fault: FileFault }

/** What a file without members of ours does not know of itself. */
export interface FileTarget {
  readonly table: string
  readonly edition: number
}

/** Leaves out what is absent, so that a draft has only what was said. */
export function said(members: Readonly<Record<string, unknown>>): Record<string, unknown> {
  return Object.fromEntries(Object.entries(members).filter(([, value]) => value !== undefined))
}
