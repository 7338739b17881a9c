/** What a memory holds for a key; made, and kept, where it holds nothing. */
export function remember<Key, Value>(
  memory: { get(key: Key): Value | undefined; set(key: Key, value: Value): unknown },
  key: Key,
  make: () => Value,
): Value {
  const kept = memory.get(key)
  if (kept !== undefined) return kept
  const made = make()
  memory.set(key, made)
  return made
}
