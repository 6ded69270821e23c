/** Asks a device that is silent so far for the memory of its transducer, answered with as many bytes as it has. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { DataSheetImage } from '../api.ts';
import type { ByteLink } from '../links/link.ts';
import { hexBytes, type DataSheetCommand } from './layout.ts';

/** What the device still sends must have ended for so long before it is asked, ms; waited for so many times at most. */
const QUIET_MS = 100;
const QUIET_LOOKS = 10;

export class SheetReader {
  readonly #link: ByteLink;
  readonly #clock: Clock;
  readonly #signal: AbortSignal;
  #isOver = false;
  /** Before the first bytes: when listening began. */
  #heardMs: number;
  #wanted = 0;
  #bytes: Uint8Array<ArrayBuffer> = new Uint8Array(0);
  #wake: () => void = () => {};

  /** `hear` gets every chunk until `read` has ended. */
  constructor(link: ByteLink, clock: Clock, signal: AbortSignal) {
    this.#link = link;
    this.#clock = clock;
    this.#signal = signal;
    this.#heardMs = clock.monoMs();
    void link.ended.then(() => this.#giveUp());
    signal.addEventListener('abort', () => this.#giveUp(), { once: true });
  }

  hear(data: Uint8Array, atMs: number): void {
    this.#heardMs = atMs;
    const room = this.#wanted - this.#bytes.length;
    if (room <= 0) return;
    this.#bytes = Uint8Array.from([...this.#bytes, ...data.subarray(0, room)]);
    if (this.#bytes.length === this.#wanted) this.#wake();
  }

  /** @throws TorsiondError DEVICE_TIMEOUT, LINK_LOST, or what writing throws */
  async read({ send, bytes, channel, timeoutMs, tries }: DataSheetCommand): Promise<DataSheetImage> {
    for (let attempt = 0; attempt < tries; attempt++) {
      await this.#silence();
      this.#bytes = new Uint8Array(0);
      this.#wanted = bytes;
      const answered = this.#sleep(timeoutMs);
      await this.#link.write(hexBytes(send));
      await answered;
      this.#wanted = 0;
      this.#assertGoingOn();
      if (this.#bytes.length === bytes) return { channel: channel - 1, bytes: this.#bytes };
    }
    throw new TorsiondError('DEVICE_TIMEOUT', `${this.#bytes.length} of the ${bytes} bytes of a data sheet came in ${tries} tries of ${timeoutMs} ms`, { where: this.#link.label });
  }

  async #silence(): Promise<void> {
    for (let look = 0; look < QUIET_LOOKS && this.#clock.monoMs() - this.#heardMs < QUIET_MS; look++) {
      await this.#sleep(QUIET_MS);
      this.#assertGoingOn();
    }
  }

  /** Until the time is over, the answer is whole, or all is given up. */
  #sleep(ms: number): Promise<void> {
    return new Promise((resolve) => {
      const cancel = this.#clock.after(ms, () => this.#wake());
      this.#wake = () => {
        cancel();
        this.#wake = () => {};
        resolve();
      };
      if (this.#isOver) this.#wake();
    });
  }

  #giveUp(): void {
    this.#isOver = true;
    this.#wake();
  }

  #assertGoingOn(): void {
    if (this.#signal.aborted) throw new TorsiondError('DEVICE_TIMEOUT', 'starting was given up', { where: this.#link.label });
    if (this.#isOver) throw new TorsiondError('LINK_LOST', 'the connection ended before the instrument answered', { where: this.#link.label });
  }
}
