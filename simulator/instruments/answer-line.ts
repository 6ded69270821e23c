/** Where answers go: at once, or after the time the instrument needs for one. At most one waits. */
import type { Clock } from '../../shared/clock.ts';
import type { SimulatedPort } from '../ports/port.ts';

export class AnswerLine {
  readonly #port: SimulatedPort;
  readonly #clock: Clock;
  readonly #delayMs: number;
  #cancel: (() => void) | null = null;
  sent = 0;

  constructor(port: SimulatedPort, clock: Clock, delayMs: number) {
    this.#port = port;
    this.#clock = clock;
    this.#delayMs = delayMs;
  }

  get isWaiting(): boolean {
    return this.#cancel !== null;
  }

  send(bytes: Uint8Array): void {
    this.drop();
    if (this.#delayMs === 0) {
      this.sent++;
      this.#port.write(bytes);
      return;
    }
    this.#cancel = this.#clock.after(this.#delayMs, () => {
      this.#cancel = null;
      this.sent++;
      this.#port.write(bytes);
    });
  }

  /** Forgets an answer that waits. */
  drop(): void {
    this.#cancel?.();
    this.#cancel = null;
  }
}
