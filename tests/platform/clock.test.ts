import { describe, expect, test } from 'vitest'
import { fixedClock, realClock, receivedClock, shiftedClock } from '../../src/platform/clock.ts'

describe('clocks', () => {
  test('the real clock hands on, a shifted one runs beside it, a fixed one stands', () => {
    const shifted = shiftedClock(-3_600_000)
    const fixed = fixedClock(42)
    expect([realClock.read(1_000), shifted.read(3_601_000), fixed.read(1_000)]).toEqual([1_000, 1_000, 42])
    shifted.shiftMs = 5
    fixed.at += 1
    expect([shifted.read(1_000), fixed.read(9_000)]).toEqual([1_005, 43])
  })

  test('the received clock follows the database, not the process', () => {
    let processMs = 1_000_000
    const received = receivedClock(realClock, () => processMs)
    expect(received.now()).toBe(1_000_000)
    received.observe(1_000_700)
    processMs += 30
    expect(received.now()).toBe(1_000_730)
    // The process's clock is set back an hour; the next answer of the gate mends it.
    processMs -= 3_600_000
    received.observe(1_000_800)
    expect(received.now()).toBe(1_000_800)
  })

  test('an answer that was late to arrive does not set the received clock back', () => {
    let processMs = 0
    const received = receivedClock(realClock, () => processMs)
    received.observe(500)
    processMs = 1_000
    received.observe(1_420) // 80 ms on the way.
    expect(received.now()).toBe(1_500)
  })

  test('a process clock that is set forward is followed at once', () => {
    let processMs = 0
    const received = receivedClock(realClock, () => processMs)
    received.observe(500)
    processMs = 3_600_000
    received.observe(1_500)
    expect(received.now()).toBe(1_500)
  })

  test('old observations fade, so that drift is followed', () => {
    const processMs = 0
    const received = receivedClock(realClock, () => processMs)
    received.observe(100)
    for (let count = 0; count < 32; count += 1) received.observe(40)
    expect(received.now()).toBe(40)
  })

  test('the received clock is scripted as the gate is, and cuts to whole milliseconds', () => {
    const received = receivedClock(shiftedClock(-1_000), () => 5_000.75)
    expect(received.now()).toBe(4_000)
  })
})
