import { ERROR_TABLE, type ErrorCode, type ErrorFacts } from './error-table.ts';

export { ERROR_TABLE, type ErrorCode } from './error-table.ts';

/**
 * The one error class: a permanent code, what went wrong, and where. The hint comes from the table unless the place
 * that throws knows a better one. Never thrown for a bad sample, which is data (`DriverEvent` of kind `fault`).
 */
export class TorsiondError extends Error {
  readonly code: ErrorCode;
  /** The port, file, line, setting or channel that the fault is about. */
  readonly where: string | null;
  readonly hint: string;

  constructor(code: ErrorCode, message: string, options: { where?: string; hint?: string; cause?: unknown } = {}) {
    super(message, options.cause === undefined ? undefined : { cause: options.cause });
    this.name = 'TorsiondError';
    this.code = code;
    this.where = options.where ?? null;
    this.hint = options.hint ?? ERROR_TABLE[code].hint;
  }

  get facts(): ErrorFacts {
    return ERROR_TABLE[this.code];
  }

  /** `CODE what (where). Hint` on one line, as commands print it on stderr; a place that the message names is not repeated. */
  toLine(): string {
    const isSaid = this.where === null || this.message.includes(`"${this.where}"`);
    const where = isSaid ? '' : ` (${this.where})`;
    return `${this.code} ${this.message.replace(/\s+/g, ' ').replace(/\.$/, '')}${where}. ${this.hint}`;
  }

  toJSON(): { code: ErrorCode; message: string; where: string | null; hint: string } {
    return { code: this.code, message: this.message, where: this.where, hint: this.hint };
  }
}

/** Anything thrown, as a TorsiondError; what was not one becomes `fallback` with the original as cause. */
export function asTorsiondError(thrown: unknown, fallback: ErrorCode = 'INTERNAL'): TorsiondError {
  if (thrown instanceof TorsiondError) return thrown;
  const message = thrown instanceof Error ? thrown.message : String(thrown);
  return new TorsiondError(fallback, message, { cause: thrown });
}
