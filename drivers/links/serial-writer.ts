/** Writes to an open terminal device, one write after the other, each with a time limit and none kept for later. */
import { writeSync } from 'node:fs';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';

/** A device that takes nothing for so long holds up the line. */
export const WRITE_LIMIT_MS = 2_000;
/** Between two attempts while the device takes nothing, ms. */
const RETRY_MS = 5;
/** Writes that may wait for their turn. */
const WAITING_MAX = 64;

export interface SerialWriterContext {
  readonly label: string;
  readonly clock: Clock;
  /** @throws TorsiondError LINK_CLOSED once the link has ended */
  assertOpen(): void;
  /** The device is gone. */
  lost(error: TorsiondError): void;
}

/**
 * Writing is non-blocking and immediate: there is no queue in between that could hand bytes to the next device that
 * gets this descriptor number.
 */
export class SerialWriter {
  readonly #descriptor: number;
  readonly #context: SerialWriterContext;
  #last: Promise<void> = Promise.resolve();
  #waiting = 0;

  constructor(descriptor: number, context: SerialWriterContext) {
    this.#descriptor = descriptor;
    this.#context = context;
  }

  /** A write is under way or waits for its turn. */
  get isBusy(): boolean {
    return this.#waiting > 0;
  }

  /** @throws TorsiondError LINK_CLOSED, LINK_LOST, LINK_WRITE_TIMEOUT */
  write(data: Uint8Array): Promise<void> {
    if (this.#waiting >= WAITING_MAX) {
      return Promise.reject(new TorsiondError('LINK_WRITE_TIMEOUT', `${WAITING_MAX} writes wait already`, { where: this.#context.label }));
    }
    this.#waiting++;
    const bytes = new Uint8Array(data);
    const done = this.#last.then(() => this.#writeOne(bytes)).finally(() => this.#waiting--);
    this.#last = done.catch(() => {});
    return done;
  }

  async #writeOne(bytes: Uint8Array): Promise<void> {
    const { clock, label } = this.#context;
    let offset = 0;
    let movedMs = clock.monoMs();
    for (;;) {
      this.#context.assertOpen();
      const written = this.#attempt(bytes, offset);
      offset += written;
      if (offset >= bytes.length) return;
      if (written > 0) movedMs = clock.monoMs();
      else if (clock.monoMs() - movedMs >= WRITE_LIMIT_MS) {
        throw new TorsiondError('LINK_WRITE_TIMEOUT', `the device took ${offset} of ${bytes.length} bytes, then nothing for ${WRITE_LIMIT_MS} ms`, { where: label });
      }
      await new Promise<void>((resolve) => clock.after(RETRY_MS, resolve));
    }
  }

  #attempt(bytes: Uint8Array, offset: number): number {
    try {
      return writeSync(this.#descriptor, bytes, offset);
    } catch (thrown) {
      const { code, message } = thrown as NodeJS.ErrnoException;
      if (code === 'EAGAIN' || code === 'EINTR') return 0;
      const error = new TorsiondError('LINK_LOST', `the port cannot be written: ${message}`, { where: this.#context.label, cause: thrown });
      this.#context.lost(error);
      throw error;
    }
  }
}
