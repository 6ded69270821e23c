/**
 * A page that has a port or a USB device for an instrument, as the gateway sees it: a conversation over any two-way pipe of messages.
 * The page offers once; the gateway opens, closes and opens again as it needs, and asks every second whether the page
 * is alive, which also tells where the page's clock stands.
 */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { RateLimit } from '../../shared/rate-limit.ts';
import { decodePortBytes, type PortBytes } from '../../shared/wire/port-bytes.ts';
import { PortPageMessage, type PortGatewayMessage, type PortHow, type PortOffer } from '../../shared/wire/port-messages.ts';
import type * as z from 'zod';
import type { ByteLink, LinkContext } from './link.ts';
import { PageClock } from './page-clock.ts';
import { PageConnection } from './page-connection.ts';

/** The way to the page. Text stays text, bytes stay bytes, in order. */
export interface PageDuplex {
  send(data: string | Uint8Array): void;
  close(code: number, reason: string): void;
}

export interface PagePortOptions {
  readonly instrument: string;
  readonly title: string;
  /** Who brings the port, for the link's name. */
  readonly who: string;
  readonly clock: Clock;
  readonly duplex: PageDuplex;
  /** @throws TorsiondError when the offer is not taken; the page is told why and the conversation ends */
  readonly onOffer: (offer: z.output<typeof PortOffer>, port: PagePort) => void;
  /** The conversation is over. Called once. */
  readonly onGone: (port: PagePort) => void;
}

export const FIRST_OFFER_MS = 5_000;
export const PAGE_SILENT_MS = 5_000;
const BEAT_MS = 1_000;
/** At first the clock is asked often: the first bytes should have the right time already. */
const FIRST_BEATS = 8;
const FIRST_BEAT_MS = 40;
/** Reads come as the browser hands them over: at most about one in a quarter of a millisecond. */
export const PAGE_MESSAGES_PER_SECOND = 4_000;
export const PAGE_BYTES_PER_SECOND = 4 * 1024 * 1024;

export class PagePort {
  readonly #options: PagePortOptions;
  readonly #messages: RateLimit;
  readonly #bytes: RateLimit;
  readonly #pageClock = new PageClock();
  #offer: z.output<typeof PortOffer> | null = null;
  #connection: PageConnection | null = null;
  #connections = 0;
  #beats = 0;
  #answeredMs: number;
  #cancelTimer: () => void;
  #isGone = false;
  #counts = { bytes: 0, cuts: 0 };

  constructor(options: PagePortOptions) {
    this.#options = options;
    const { clock } = options;
    this.#answeredMs = clock.monoMs();
    this.#messages = new RateLimit(PAGE_MESSAGES_PER_SECOND, this.#answeredMs);
    this.#bytes = new RateLimit(PAGE_BYTES_PER_SECOND, this.#answeredMs);
    this.#cancelTimer = clock.after(FIRST_OFFER_MS, () => this.end(1008, `no offer within ${FIRST_OFFER_MS / 1_000} s`));
  }

  /** Stays the same while the page lives; null before its offer. */
  get page(): string | null {
    return this.#offer?.page ?? null;
  }

  get label(): string {
    return `${this.#offer?.name ?? 'port'} (${this.#options.who})`;
  }

  get isGone(): boolean {
    return this.#isGone;
  }

  get counters(): { readonly bytes: number; readonly cuts: number } {
    return { ...this.#counts };
  }

  /** A message of the page; text or bytes, which stay the caller's. */
  receive(data: string | Uint8Array): void {
    if (this.#isGone || !this.heard(data.length)) return;
    try {
      if (typeof data === 'string') this.#take(readPageMessage(data));
      else this.#read(decodePortBytes(data));
    } catch (thrown) {
      this.end(1008, `the page said what no page says: ${(thrown as Error).message}`);
    }
  }

  /** Counts a message against the page's limits; false: the page was sent away. */
  heard(bytes: number): boolean {
    const nowMs = this.#options.clock.monoMs();
    if (this.#messages.take(nowMs) && this.#bytes.take(nowMs, bytes)) return true;
    this.end(1008, `more than ${PAGE_MESSAGES_PER_SECOND} messages or ${PAGE_BYTES_PER_SECOND / 1024 / 1024} MiB a second`);
    return false;
  }

  /**
   * Has the page open its port.
   * @throws TorsiondError LINK_BUSY while it is open, LINK_NOT_FOUND when the page is gone, LINK_OPEN_FAILED, LINK_LOST, LINK_CLOSED when aborted
   */
  async open(how: PortHow, { clock, signal }: LinkContext): Promise<ByteLink> {
    const fault = (code: 'LINK_CLOSED' | 'LINK_NOT_FOUND' | 'LINK_BUSY', message: string): TorsiondError => new TorsiondError(code, message, { where: this.label });
    const before = this.#connection;
    if (signal.aborted) throw fault('LINK_CLOSED', 'opening was given up');
    if (before?.isFree) return before.share();
    if (before && !before.isEnding) throw fault('LINK_BUSY', 'the page\'s port is open already');
    await before?.released;
    if (signal.aborted) throw fault('LINK_CLOSED', 'opening was given up');
    if (this.#isGone) throw fault('LINK_NOT_FOUND', 'the page with the port is gone');
    if (this.#connection !== before) throw fault('LINK_BUSY', 'the page\'s port is open already');
    const connection = new PageConnection({
      connection: this.#connections++, how, label: this.label, clock,
      toOurs: (pageMs) => this.#pageClock.toOurs(pageMs),
      tell: (message) => this.#tell(message),
      send: (bytes) => {
        if (!this.#isGone) this.#options.duplex.send(bytes);
      },
      onCut: () => void (this.#counts.cuts += 1),
    });
    this.#connection = connection;
    await connection.open(signal);
    return connection.share();
  }

  /** Tells the page why, and ends. */
  refuse(error: TorsiondError): void {
    const { code, message, hint } = error.toJSON();
    this.#tell({ type: 'refused', code, message, hint });
    this.end(1008, message);
  }

  /** Ends the conversation from this side. */
  end(code: number, reason: string): void {
    if (this.#isGone) return;
    this.gone(reason);
    // A close frame carries 123 bytes.
    this.#options.duplex.close(code, reason.replace(/[^\x20-\x7e]/g, '?').slice(0, 120));
  }

  /** The way to the page ended. */
  gone(why: string): void {
    if (this.#isGone) return;
    this.#isGone = true;
    this.#cancelTimer();
    this.#connection?.lost(new TorsiondError('LINK_LOST', `the page with the port is gone: ${why}`, {
      where: this.label, hint: 'Open the page on the computer with the transducer again; it connects by itself.',
    }));
    this.#options.onGone(this);
  }

  #take(message: PortPageMessage): void {
    if (message.type === 'offer') return this.#takeOffer(message);
    if (this.#offer === null) throw new RangeError('the first message is no offer');
    if (message.type === 'beat') return this.#takeBeat(message.number, message.atMs);
    const connection = message.connection === this.#connections - 1 ? this.#connection : null;
    if (message.type === 'cut' && !this.#note(message.atMs)) return;
    // What belongs to an older opening is late and concerns nobody.
    switch (message.type) {
      case 'opened': return connection?.opened();
      case 'not-opened': return connection?.notOpened(message.error, message.message);
      case 'closed': return connection?.closed();
      case 'lost': return connection?.lost(new TorsiondError('LINK_LOST', `the port ended: ${message.message}`, { where: this.label }));
      case 'cut': return connection?.cut(message.number, message.error);
      case 'stalled': return connection?.stalled();
      case 'wrote': return connection?.wrote(message.number);
      case 'not-written': return connection?.notWritten(message.number, message.message);
    }
  }

  #read(bytes: PortBytes): void {
    if (bytes.kind !== 'read') throw new RangeError('bytes that are not from a device');
    if (this.#offer === null) throw new RangeError('the first message is no offer');
    if (!this.#note(bytes.atMs) || bytes.connection !== this.#connections - 1) return;
    this.#counts.bytes += bytes.data.length;
    this.#connection?.read(bytes);
  }

  #takeOffer(offer: z.output<typeof PortOffer>): void {
    if (this.#offer !== null) throw new RangeError('a second offer');
    this.#offer = offer;
    try {
      this.#options.onOffer(offer, this);
    } catch (thrown) {
      if (!(thrown instanceof TorsiondError)) throw thrown;
      return this.refuse(thrown);
    }
    this.#answeredMs = this.#options.clock.monoMs();
    this.#tell({ type: 'accepted', instrument: this.#options.instrument, title: this.#options.title });
    this.#beat();
  }

  #beat(): void {
    const { clock } = this.#options;
    this.#cancelTimer();
    if (this.#isGone) return;
    if (clock.monoMs() - this.#answeredMs >= PAGE_SILENT_MS) {
      return this.end(1001, `it has not answered for ${PAGE_SILENT_MS / 1_000} s`);
    }
    this.#tell({ type: 'beat', number: this.#beats++ });
    this.#connection?.tellTook();
    // What it is told can be the end of it: whoever carries it gives up a page that takes nothing.
    if (!this.#isGone) this.#cancelTimer = clock.after(this.#beats < FIRST_BEATS ? FIRST_BEAT_MS : BEAT_MS, () => this.#beat());
  }

  #takeBeat(number: number, atMs: number): void {
    if (number >= this.#beats) throw new RangeError('an answer to a beat that was never sent');
    if (this.#note(atMs)) this.#answeredMs = this.#options.clock.monoMs();
  }

  #note(pageMs: number): boolean {
    if (this.#pageClock.note(pageMs, this.#options.clock.monoMs())) return true;
    this.end(1008, 'the clock of its computer jumped; it may have slept');
    return false;
  }

  #tell(message: PortGatewayMessage): void {
    if (!this.#isGone) this.#options.duplex.send(JSON.stringify(message));
  }
}

/** @throws RangeError */
function readPageMessage(text: string): PortPageMessage {
  let raw: unknown;
  try {
    raw = JSON.parse(text);
  } catch {
    throw new RangeError('text that is not JSON');
  }
  const parsed = PortPageMessage.safeParse(raw);
  if (!parsed.success) {
    const issue = parsed.error.issues[0]!;
    throw new RangeError(`${issue.path.join('.')}: ${issue.message}`.slice(0, 100));
  }
  return parsed.data;
}
