/** One opening of a port that a page has: its reads in order, writes until the page says they left, and the link made of it. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';
import { encodePortBytes, PORT_PAYLOAD_MAX, type PortBytes } from '../../shared/wire/port-bytes.ts';
import type { PortCutName, PortGatewayMessage, PortHow } from '../../shared/wire/port-messages.ts';
import type { ByteLink } from './link.ts';
import { LinkCore } from './link-core.ts';
import { pageOpenError } from './page-errors.ts';

/** Bytes that a page may have on the way without being told that they were taken. */
export const WINDOW_BYTES = 256 * 1024;
const TOOK_EVERY_BYTES = 32 * 1024;
const OPEN_LIMIT_MS = 4_500;
export const WRITE_LIMIT_MS = 2_000;
const CLOSE_LIMIT_MS = 1_500;
const UNWRITTEN_BYTES_MAX = PORT_PAYLOAD_MAX;
const UNWRITTEN_MAX = 64;
/** After a cut the port stays open for whoever opens the link again, so long. */
const LINGER_MS = 2_000;
/** More cuts than this within the span mean that nothing sound can be read. */
export const CUTS_MAX = 20;
export const CUTS_SPAN_MS = 10_000;

const CUT_WORDS: Readonly<Record<PortCutName, string>> = {
  BufferOverrunError: 'bytes came faster than they were taken, and some were lost',
  BreakError: 'the line was in the state of a break',
  FramingError: 'a byte came without its stop bit',
  ParityError: 'a byte came with the wrong parity',
  babble: 'the device sent more than a packet holds, and bytes are missing',
};

const CUTS_HINTS: Readonly<Record<PortHow['type'], string>> = {
  'open': 'Check baud rate, data bits and parity first, then the cable.',
  'open-usb': 'The device sends longer packets than it says it would: look after the device itself, then the cable.',
};

export interface PageConnectionOptions {
  readonly connection: number;
  readonly how: PortHow;
  readonly label: string;
  readonly clock: Clock;
  /** Our time of a time of the page. */
  readonly toOurs: (pageMs: number) => number;
  readonly tell: (message: PortGatewayMessage) => void;
  readonly send: (bytes: Uint8Array) => void;
  readonly onCut: () => void;
}

interface Unwritten {
  readonly bytes: number;
  readonly settle: (error: TorsiondError | null) => void;
}

export class PageConnection {
  /** Resolves when the page has let go of the port, or cannot be asked any more. */
  readonly released: Promise<void>;
  readonly #options: PageConnectionOptions;
  readonly #unwritten = new Map<number, Unwritten>();
  #resolveReleased!: () => void;
  #settleOpen: ((error: TorsiondError | null) => void) | null = null;
  #state: 'opening' | 'open' | 'closing' | 'released' = 'opening';
  #core: LinkCore | null = null;
  /** Made as soon as the port is open, so that not a byte is lost before it is asked for. */
  #fresh: ByteLink | null = null;
  #cancelLinger: () => void = nothing;
  #nextNumber = 0;
  #untookBytes = 0;
  #nextWrite = 0;
  #cutsMs: number[] = [];
  #stalls = 0;

  constructor(options: PageConnectionOptions) {
    this.#options = options;
    this.released = new Promise((resolve) => {
      this.#resolveReleased = resolve;
    });
  }

  get isEnding(): boolean {
    return this.#state === 'closing' || this.#state === 'released';
  }

  /** Open, and the link that had it was ended by a cut. */
  get isFree(): boolean {
    return this.#state === 'open' && this.#core !== null && this.#core.end !== null;
  }

  /** @throws TorsiondError LINK_OPEN_FAILED, LINK_NOT_FOUND, LINK_LOST, LINK_CLOSED when aborted; the port is let go then */
  async open(signal: AbortSignal): Promise<void> {
    const { connection, how, clock, tell } = this.#options;
    const outcome = new Promise<TorsiondError | null>((resolve) => {
      this.#settleOpen = resolve;
    });
    const giveUp = (): void => this.#settleOpen?.(this.#error('LINK_CLOSED', 'opening was given up'));
    const cancel = clock.after(OPEN_LIMIT_MS, () => this.#settleOpen?.(this.#error('LINK_OPEN_FAILED', `the page did not open the port within ${OPEN_LIMIT_MS} ms`)));
    signal.addEventListener('abort', giveUp);
    tell({ ...how, connection, windowBytes: WINDOW_BYTES });
    const error = await outcome;
    cancel();
    signal.removeEventListener('abort', giveUp);
    this.#settleOpen = null;
    if (error === null) return;
    void this.close();
    throw error;
  }

  /** The link of the open port; while it lives there is no other. */
  share(): ByteLink {
    this.#cancelLinger();
    const link = this.#fresh ?? this.#makeLink();
    this.#fresh = null;
    return link;
  }

  #makeLink(): ByteLink {
    const core = new LinkCore(this.#options.label, this.#options.clock, {
      hold: () => {},
      release: () => this.tellTook(),
      fail: (error) => this.#lose(error),
    });
    this.#core = core;
    const before = this.#stalls;
    return {
      label: core.label,
      ended: core.ended,
      listen: (listener) => core.listen(listener),
      pause: () => core.pause(),
      resume: () => core.resume(),
      write: async (data) => {
        core.assertOpen();
        await this.#write(data.slice());
      },
      disturbances: () => this.#stalls - before,
      close: async () => {
        core.finish({ reason: 'closed' });
        // After a cut the port is kept for the next link.
        if (this.#core === core && this.#cancelLinger === nothing) await this.close();
      },
    };
  }

  /** Has the page let go of the port. Idempotent. */
  close(): Promise<void> {
    if (!this.isEnding) {
      this.#state = 'closing';
      this.#settleWrites(this.#error('LINK_CLOSED', 'the link was closed'));
      const { connection, clock, tell } = this.#options;
      tell({ type: 'close', connection });
      const cancel = clock.after(CLOSE_LIMIT_MS, () => this.#release());
      void this.released.then(cancel);
    }
    return this.released;
  }

  /** The page said so. */
  opened(): void {
    if (this.#state !== 'opening') return;
    this.#state = 'open';
    this.#fresh = this.#makeLink();
    this.#settleOpen?.(null);
  }

  notOpened(error: string, message: string): void {
    if (this.#state !== 'opening' && this.#state !== 'closing') return;
    this.#settleOpen?.(pageOpenError(this.#options.how, error, message, this.#options.label));
    this.#release();
  }

  closed(): void {
    this.#settleOpen?.(this.#error('LINK_LOST', 'the page closed the port'));
    this.#core?.finish({ reason: 'lost', error: this.#error('LINK_LOST', 'the page closed the port') });
    this.#release();
  }

  /** The port, or the page with it, ended by itself. */
  lost(error: TorsiondError): void {
    this.#settleOpen?.(error);
    this.#core?.finish({ reason: 'lost', error });
    this.#settleWrites(error);
    this.#release();
  }

  read({ number, atMs, data }: PortBytes): void {
    if (this.#state !== 'open' || !this.#isNext(number)) return;
    const core = this.#core;
    this.#untookBytes += data.length;
    if (this.#untookBytes > WINDOW_BYTES + PORT_PAYLOAD_MAX) {
      return this.#lose(this.#error('LINK_LOST', `the page sent more than the ${WINDOW_BYTES} bytes that may be on the way`));
    }
    core?.deliver(data, this.#options.toOurs(atMs));
    if (this.#untookBytes >= TOOK_EVERY_BYTES) this.tellTook();
  }

  cut(number: number, name: PortCutName): void {
    if (this.#state !== 'open' || !this.#isNext(number)) return;
    const { clock, onCut } = this.#options;
    onCut();
    const nowMs = clock.monoMs();
    this.#cutsMs = [...this.#cutsMs.filter((atMs) => atMs > nowMs - CUTS_SPAN_MS), nowMs];
    if (this.#cutsMs.length > CUTS_MAX) {
      return this.#lose(new TorsiondError('LINK_LOST', `the port reports one fault after another, the last: ${CUT_WORDS[name]} (${name})`, {
        where: this.#options.label, hint: CUTS_HINTS[this.#options.how.type],
      }));
    }
    // No frame may be put together of what came before and after: the link ends, and the next one has the same open port.
    const core = this.#core;
    if (core === null || !core.finish({ reason: 'lost', error: this.#error('LINK_CUT', `${CUT_WORDS[name]} (${name})`) })) return;
    const cancel = clock.after(LINGER_MS, () => void this.close());
    this.#cancelLinger = () => {
      cancel();
      this.#cancelLinger = nothing;
    };
  }

  stalled(): void {
    if (this.#state === 'open') this.#stalls += 1;
  }

  wrote(number: number): void {
    this.#unwritten.get(number)?.settle(null);
  }

  notWritten(number: number, message: string): void {
    this.#unwritten.get(number)?.settle(this.#error('LINK_LOST', `the port does not take bytes: ${message}`));
  }

  /** Lets the page send more, unless nobody takes what there is. */
  tellTook(): void {
    if (this.#state !== 'open' || this.#untookBytes === 0 || this.#core?.isHeld === true) return;
    this.#untookBytes = 0;
    this.#options.tell({ type: 'took', connection: this.#options.connection, number: this.#nextNumber - 1 });
  }

  #isNext(number: number): boolean {
    const expected = this.#nextNumber;
    if (number === expected) {
      this.#nextNumber += 1;
      return true;
    }
    this.#lose(this.#error('LINK_LOST', `the page sent number ${number} where ${expected} was due: what is between them is missing`));
    return false;
  }

  #lose(error: TorsiondError): void {
    this.#core?.finish({ reason: 'lost', error });
    void this.close();
  }

  #write(data: Uint8Array): Promise<void> {
    if (data.length === 0) return Promise.resolve();
    const waiting = [...this.#unwritten.values()].reduce((sum, { bytes }) => sum + bytes, 0);
    if (this.#unwritten.size >= UNWRITTEN_MAX || waiting + data.length > UNWRITTEN_BYTES_MAX) {
      return Promise.reject(this.#error('LINK_WRITE_TIMEOUT', `more than ${UNWRITTEN_MAX} writes or ${UNWRITTEN_BYTES_MAX} bytes wait for the page`));
    }
    const { connection, clock, send } = this.#options;
    const number = this.#nextWrite++;
    return new Promise((resolve, reject) => {
      // What is on its way to the page cannot be taken back, so a write that does not leave in time ends the link.
      const cancel = clock.after(WRITE_LIMIT_MS, () => {
        const error = this.#error('LINK_WRITE_TIMEOUT', `the page has not written ${data.length} bytes within ${WRITE_LIMIT_MS} ms`);
        this.#unwritten.get(number)?.settle(error);
        this.#lose(error);
      });
      this.#unwritten.set(number, {
        bytes: data.length,
        settle: (error) => {
          cancel();
          this.#unwritten.delete(number);
          if (error) reject(error);
          else resolve();
        },
      });
      send(encodePortBytes({ kind: 'write', connection, number, atMs: 0, data }));
    });
  }

  #settleWrites(error: TorsiondError): void {
    for (const { settle } of [...this.#unwritten.values()]) settle(error);
  }

  #release(): void {
    if (this.#state === 'released') return;
    this.#state = 'released';
    this.#cancelLinger();
    this.#settleWrites(this.#error('LINK_CLOSED', 'the port was let go'));
    this.#resolveReleased();
  }

  #error(code: ErrorCode, message: string): TorsiondError {
    return new TorsiondError(code, message, { where: this.#options.label });
  }
}

function nothing(): void {}
