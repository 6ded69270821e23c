/** The part of a structured logger that the server uses; a pino logger fits. */
export interface ServerLog {
  debug(fields: object, message: string): void;
  info(fields: object, message: string): void;
  warn(fields: object, message: string): void;
  error(fields: object, message: string): void;
}
