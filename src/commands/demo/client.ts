import type { z } from 'zod'
import { readBase32 } from '../../access/base32.ts'
import { hotp, timeStep } from '../../access/signature.ts'

/** One answer of the service, with what was asked. */
export interface Answer {
  readonly asked: string
  readonly status: number
  readonly body: unknown
}

/** Whoever holds an access key: every request carries it. */
export interface Caller {
  readonly token: string
  get(path: string): Promise<Answer>
  post(path: string, body: unknown, headers?: Readonly<Record<string, string>>): Promise<Answer>
  /** Sends lines of JSON, and gives the lines that were answered. */
  postLines(path: string, lines: readonly string[]): Promise<unknown[]>
}

/** A person who signs by key and one-time code, as with an authenticator on a telephone. */
export interface Signer extends Caller {
  sign(path: string, body: unknown): Promise<Answer>
}

/** An outcome that is not the one the story tells. */
export class NotAsTold extends Error {}

const TIME_MAX_MS = 30_000

export function callerOn(url: string, token: string): Caller {
  const send = async (method: string, path: string, body?: unknown, headers: Readonly<Record<string, string>> = {}) => {
    const response = await fetch(url + path, {
      method,
      headers: {
        authorization: `Bearer ${token}`,
        ...(body === undefined ? {} : { 'content-type': 'application/json' }),
        ...headers,
      },
      ...(body === undefined ? {} : { body: JSON.stringify(body) }),
      signal: AbortSignal.timeout(TIME_MAX_MS),
    })
    const text = await response.text()
    const answered: unknown = text === '' ? undefined : JSON.parse(text)
    return { asked: `${method} ${path}`, status: response.status, body: answered }
  }
  return {
    token,
    get: (path) => send('GET', path),
    post: (path, body, headers) => send('POST', path, body, headers),
    async postLines(path, lines) {
      const response = await fetch(url + path, {
        method: 'POST',
        headers: { authorization: `Bearer ${token}`, 'content-type': 'application/x-ndjson' },
        body: `${lines.join('\n')}\n`,
        signal: AbortSignal.timeout(TIME_MAX_MS),
      })
      const text = await response.text()
      return text
        .trim()
        .split('\n')
        .map((line): unknown => JSON.parse(line))
    },
  }
}

/**
 * Signs with the code of the present time step. Within one step the presence that its code opened is enough, because a
 * code counts once.
 * @param secret base32, as the person fetched it
 */
export function signerOf(caller: Caller, secret: string, now: () => number): Signer {
  const bytes = readBase32(secret)
  if (bytes === undefined) throw new NotAsTold('the secret for one-time codes is no base32')
  let lastStep = Number.NEGATIVE_INFINITY
  return {
    ...caller,
    sign(path, body) {
      const step = timeStep(now())
      if (step === lastStep) return caller.post(path, body)
      lastStep = step
      return caller.post(path, body, { 'one-time-code': hotp(bytes, step) })
    },
  }
}

/** The body of an answer that has the status told and the shape published; throws `NotAsTold` for any other. */
export function expectAnswer<Wire extends z.ZodType>(answer: Answer, status: number, wire: Wire): z.infer<Wire> {
  const shown = JSON.stringify(answer.body)
  if (answer.status !== status) {
    throw new NotAsTold(`${answer.asked}: expected ${status}, was answered ${answer.status}: ${shown}`)
  }
  const read = wire.safeParse(answer.body)
  if (!read.success) {
    const [issue] = read.error.issues
    throw new NotAsTold(`${answer.asked}: ${issue?.path.join('/')}: ${issue?.message}: ${shown}`)
  }
  return read.data
}

/** Throws `NotAsTold` where something is not as the story tells it. */
export function insist(isSo: boolean, told: string, found: unknown): asserts isSo {
  if (!isSo) throw new NotAsTold(`${told}, but: ${JSON.stringify(found)}`)
}
