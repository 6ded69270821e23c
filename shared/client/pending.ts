/** Commands that await their answer. */
import type { Clock } from '../clock.ts';
import { ERROR_TABLE, TorsiondError, type ErrorCode } from '../errors.ts';
import type { ServerMessage } from '../wire/events.ts';

type Answer = Extract<ServerMessage, { type: 'ok' | 'refused' }>;

interface Waiting {
  readonly what: string;
  readonly resolve: (result: unknown) => void;
  readonly reject: (error: TorsiondError) => void;
  /** Called in the same turn as the answer, before any message behind it; a promise would come too late. */
  readonly onOk: () => void;
  readonly cancelTimer: () => void;
}

export class PendingCommands {
  readonly #clock: Clock;
  readonly #waiting = new Map<string, Waiting>();
  #lastId = 0;

  constructor(clock: Clock) {
    this.#clock = clock;
  }

  /** At most this many may await an answer at once. */
  static readonly limit = 256;

  get size(): number {
    return this.#waiting.size;
  }

  /** @param send puts the command with its id on the wire; a command whose sending throws is rejected at once */
  ask(what: string, timeoutMs: number, send: (id: string) => void, onOk: () => void = () => undefined): Promise<unknown> {
    if (this.#waiting.size >= PendingCommands.limit) {
      return Promise.reject(new TorsiondError('LIMIT_REACHED', `${PendingCommands.limit} commands await their answer already`));
    }
    const id = `c${++this.#lastId}`;
    return new Promise((resolve, reject) => {
      const cancelTimer = this.#clock.after(timeoutMs, () => {
        this.#take(id)?.reject(new TorsiondError('CLIENT_TIMEOUT', `no answer to "${what}" within ${timeoutMs} ms`));
      });
      this.#waiting.set(id, { what, resolve, reject, onOk, cancelTimer });
      try {
        send(id);
      } catch (cause) {
        this.#take(id)?.reject(new TorsiondError('CLIENT_DISCONNECTED', `"${what}" could not be sent`, { cause }));
      }
    });
  }

  answer(message: Answer): void {
    if (message.id === null) return;
    const waiting = this.#take(message.id);
    if (!waiting) return;
    if (message.type === 'ok') {
      waiting.onOk();
      waiting.resolve(message.result);
    } else waiting.reject(refusal(waiting.what, message));
  }

  /** The connection ended: none of them is sent again, because a command that comes late does harm. */
  rejectAll(code: ErrorCode, why: string): void {
    for (const id of [...this.#waiting.keys()]) {
      const waiting = this.#take(id);
      waiting?.reject(new TorsiondError(code, `"${waiting.what}": ${why}; whether it was done is unknown`));
    }
  }

  #take(id: string): Waiting | undefined {
    const waiting = this.#waiting.get(id);
    this.#waiting.delete(id);
    waiting?.cancelTimer();
    return waiting;
  }
}

function refusal(what: string, message: Extract<Answer, { type: 'refused' }>): TorsiondError {
  if (Object.hasOwn(ERROR_TABLE, message.code)) {
    return new TorsiondError(message.code as ErrorCode, message.message, { where: what, hint: message.hint });
  }
  return new TorsiondError('CLIENT_REFUSED', `${message.code}: ${message.message}`, { where: what, ...(message.hint ? { hint: message.hint } : {}) });
}
