import { writeInstant } from '../exact/time.ts'
import type { CodeFound, Upload } from './words.ts'

/** Skew up to this counts as the time a message takes, and as none. */
const TRANSPORT_MS = 2_000
/** The same at every site, until two people can change it. */
const SKEW_TOLERANCE_MS = 120_000
/** Station and server may differ by so much about how long ago a test started. */
const STEP_TOLERANCE_MS = 2_000

export interface ClockReading {
  /** Received minus sent, milliseconds: above zero where the station's clock is slow. */
  readonly skewMs: number
  /** What makes the start untrustworthy; empty where it is trusted. */
  readonly codes: readonly CodeFound[]
  /** The start that counts; null where the one sent lies outside [site opened, received] and cannot be placed. */
  readonly startedAtUsed: number | null
  /** The instants that must find the same state: the start as sent, and as corrected where that differs. */
  readonly starts: readonly [asSent: number] | readonly [asSent: number, asCorrected: number]
}

/**
 * Received minus sent, where the message arrived from `arrivingFrom` until `receivedAt`: a line of a batch may have been
 * sent at any time between the two, and a clock that says so shows no skew.
 */
export function skewOf(sentAt: number, receivedAt: number, arrivingFrom = receivedAt): number {
  const from = Math.min(arrivingFrom, receivedAt)
  return sentAt < from ? from - sentAt : Math.min(0, receivedAt - sentAt)
}

/**
 * What the station's clock is worth (promise 2). Skew within the transport allowance counts as none; up to the tolerance
 * the start is corrected by it; above it nothing is believed. `receivedAt` is the server's clock.
 */
export function readClock(upload: Upload, opened: number, receivedAt: number, arrivingFrom?: number): ClockReading {
  const skewMs = skewOf(upload.sentAt, receivedAt, arrivingFrom)
  const codes: CodeFound[] = []
  const isSkewed = Math.abs(skewMs) > SKEW_TOLERANCE_MS
  if (isSkewed) {
    codes.push({
      code: 'clock-skew',
      facts: { skewMs: String(skewMs), toleranceMs: String(SKEW_TOLERANCE_MS), sentAt: writeInstant(upload.sentAt) },
    })
  }
  const isCorrected = !isSkewed && Math.abs(skewMs) > TRANSPORT_MS
  const start = isCorrected ? upload.startedAt + skewMs : upload.startedAt
  const isPlausible = opened <= start && start <= receivedAt
  if (!isPlausible) {
    codes.push({
      code: 'clock-implausible',
      facts: {
        startedAt: writeInstant(upload.startedAt),
        opened: writeInstant(opened),
        receivedAt: writeInstant(receivedAt),
      },
    })
  }
  const stepped = steppedFacts(upload)
  if (stepped !== undefined) codes.push({ code: 'clock-stepped', facts: stepped })
  return {
    skewMs,
    codes,
    startedAtUsed: isPlausible ? start : null,
    starts: isCorrected ? [upload.startedAt, start] : [start],
  }
}

/** The station's clock was set between the start and the sending; undefined where nothing says so. */
function steppedFacts({ startedAgoMs, sentAt, startedAt, endedAt }: Upload): Record<string, string> | undefined {
  if (startedAgoMs !== undefined && Math.abs(startedAgoMs - (sentAt - startedAt)) > STEP_TOLERANCE_MS) {
    return { startedAgoMs: String(startedAgoMs), byClockMs: String(sentAt - startedAt) }
  }
  return endedAt > sentAt ? { endedAt: writeInstant(endedAt), sentAt: writeInstant(sentAt) } : undefined
}
