/** A page of rows: `limit` of them, after the place of the last one seen. */
export interface PageAsked<Place> {
  readonly after: Place | undefined
  readonly limit: number
}

/** The order of a list by instant: the instant in milliseconds, then the key. */
export type DatedPlace = readonly [at: number, key: string]
