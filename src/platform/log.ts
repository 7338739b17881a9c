/** What the platform asks of a logger; a Pino logger fits. Fields first, then one sentence. */
export interface Log {
  debug(fields: object, message: string): void
  info(fields: object, message: string): void
  warn(fields: object, message: string): void
  error(fields: object, message: string): void
}

/** Says nothing: for commands and tests whose output is not a log. */
export const silentLog: Log = {
  debug: () => undefined,
  info: () => undefined,
  warn: () => undefined,
  error: () => undefined,
}
