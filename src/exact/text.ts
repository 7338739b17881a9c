import { z } from 'zod'

/** A key: 1 to 64 of `A-Z a-z 0-9 . _ : -`. At most 64 bytes, so that any index row holds several. */
export const KeyWire = z.string().regex(/^[A-Za-z0-9._:-]{1,64}$/, 'a key is 1 to 64 of A-Z a-z 0-9 . _ : -')

/** Text for people, on one line: whole characters only, no control characters. `max` counts UTF-16 code units. */
export function TextWire(max: number, min = 1): z.ZodString {
  return z
    .string()
    .min(min)
    .max(max)
    .regex(/^[^\p{Cc}\p{Cs}]*$/u, 'text may not hold control characters or half characters')
}

const UNSTORABLE = /[\0\p{Cs}]/u

/** Whether text can be stored and sent: no lone surrogate (it has no UTF-8 form) and no NUL (PostgreSQL refuses it). */
export function isWellFormedText(text: string): boolean {
  return !UNSTORABLE.test(text)
}
