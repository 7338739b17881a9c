const DIGITS = 'ABCDEFGHIJKLMNOPQRSTUVWXYZ234567'

/** RFC 4648 section 6 without padding, as authenticators take secrets. */
export function writeBase32(bytes: Uint8Array): string {
  let text = ''
  let bits = 0
  let held = 0
  for (const byte of bytes) {
    held = (held << 8) | byte
    bits += 8
    while (bits >= 5) {
      bits -= 5
      text += DIGITS.charAt((held >>> bits) & 31)
    }
    held &= (1 << bits) - 1
  }
  return bits === 0 ? text : text + DIGITS.charAt((held << (5 - bits)) & 31)
}

/** The bytes of unpadded or padded base32, either case; undefined where the text is none. */
export function readBase32(text: string): Uint8Array | undefined {
  const digits = text.toUpperCase().replace(/=+$/, '')
  const bytes: number[] = []
  let bits = 0
  let held = 0
  for (const digit of digits) {
    const value = DIGITS.indexOf(digit)
    if (value < 0) {
      return undefined
    }
    held = (held << 5) | value
    bits += 5
    if (bits >= 8) {
      bits -= 8
      bytes.push((held >>> bits) & 0xff)
    }
    held &= (1 << bits) - 1
  }
  return Uint8Array.from(bytes)
}
