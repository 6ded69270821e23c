/** One open link with its driver sessions, from open to closed. Used once; the next connection is another object. */
import type { Subscription } from 'rxjs';
import type { DataSheetImage, DriverCounters, DriverDefinition, DriverEvent, DriverSession, InstrumentCommand, InstrumentIdentity } from '../../drivers/api.ts';
import type { AskNote, ByteChunk, ByteLink, LinkEnd } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import type { ChannelSettings } from '../settings/schema.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import { eventFault } from './driver-guard.ts';
import { SharedLink } from './session-link.ts';
import { unitFault } from './unit-guard.ts';
import { within } from './within.ts';

/** A driver has this long to send its stop command. */
const STOP_LIMIT_MS = 500;
/** A link that ended is noticed by its driver and by us; whoever is first, the other has this long. */
const END_GRACE_MS = 100;

export interface ConnectionOptions {
  readonly link: ByteLink;
  readonly clock: Clock;
  readonly driver: DriverDefinition;
  /** As `driver.optionsSchema` made them. */
  readonly driverOptions: unknown;
  /** Of the instrument, in order. */
  readonly channels: readonly ChannelSettings[];
  /** Bytes came while the link settles. */
  readonly onSettling: () => void;
  readonly onChunk: (chunk: ByteChunk) => void;
  readonly onNote?: (note: AskNote) => void;
  readonly onEvent: (event: DriverEvent) => void;
  /** The driver broke its contract, or what the device sends is not what the settings say: nothing of it is to be used. */
  readonly onBroken: (error: TorsiondError) => void;
}

export interface ConnectionCounters extends DriverCounters {
  readonly bytes: number;
  readonly chunks: number;
  /** What the link got over by itself. */
  readonly disturbances: number;
}

interface Running {
  readonly session: DriverSession;
  readonly abort: AbortController;
  readonly subscription: Subscription;
  /** `start` is over, well or badly. */
  hasStarted: boolean;
  isEnding: boolean;
}

export class Connection {
  readonly #options: ConnectionOptions;
  readonly #shared: SharedLink;
  #running: Running | null = null;
  #past: DriverCounters = { frames: 0, faults: 0, discardedBytes: 0 };
  #lastAtMs = -Infinity;
  #hasEnded = false;
  #isClosed = false;
  /** The device sent another unit than it may; what follows is not used either. */
  #isRefused = false;

  constructor(options: ConnectionOptions) {
    this.#options = options;
    this.#shared = new SharedLink(options.link, {
      onSettling: options.onSettling,
      onChunk: options.onChunk,
      ...(options.onNote ? { onNote: options.onNote } : {}),
      onThrown: (thrown) => this.#break(thrown),
    });
    void options.link.ended.then(() => {
      this.#hasEnded = true;
    });
  }

  get label(): string {
    return this.#options.link.label;
  }

  /**
   * Ends the session before, if any, and starts a new one.
   * @throws TorsiondError what the driver said, DRIVER_FAILED for anything else it threw
   */
  async startSession(): Promise<InstrumentIdentity | null> {
    await this.#endSession();
    if (this.#isClosed) throw new TorsiondError('LINK_CLOSED', 'the connection was closed meanwhile', { where: this.label });
    const { driver, driverOptions, clock } = this.#options;
    const abort = new AbortController();
    try {
      const session = driver.createSession({ options: driverOptions, link: this.#shared.share(), clock, signal: abort.signal });
      const subscription = session.events$.subscribe({
        next: (event) => this.#take(session, event),
        error: (thrown: unknown) => this.#break(thrown),
        complete: () => this.#noteComplete(session),
      });
      const running: Running = { session, abort, subscription, hasStarted: false, isEnding: false };
      this.#running = running;
      try {
        return await session.start();
      } finally {
        running.hasStarted = true;
      }
    } catch (thrown) {
      throw asTorsiondError(thrown, 'DRIVER_FAILED');
    }
  }

  /** What the session's start read of the transducers' memories. @throws TorsiondError DRIVER_FAILED */
  dataSheets(): readonly DataSheetImage[] {
    try {
      return this.#running?.session.dataSheets?.() ?? [];
    } catch (thrown) {
      throw asTorsiondError(thrown, 'DRIVER_FAILED');
    }
  }

  /** @throws TorsiondError CHANNEL_NOT_READY, or what the driver says */
  async command(command: InstrumentCommand): Promise<void> {
    const running = this.#running;
    if (running === null) throw new TorsiondError('CHANNEL_NOT_READY', 'no driver is running', { where: this.label });
    try {
      await running.session.command(command);
    } catch (thrown) {
      throw asTorsiondError(thrown, 'DRIVER_FAILED');
    }
  }

  /** Stops the driver, within half a second, and closes the link. Never rejects. */
  async close(): Promise<void> {
    this.#isClosed = true;
    await this.#endSession();
    await this.#options.link.close().catch(() => {});
  }

  counters(): ConnectionCounters {
    const sum = this.#sum();
    return { ...sum, discardedBytes: sum.discardedBytes + this.#shared.discardedBytes, bytes: this.#shared.bytes, chunks: this.#shared.chunks, disturbances: this.#options.link.disturbances?.() ?? 0 };
  }

  #sum(): DriverCounters {
    if (this.#running === null) return this.#past;
    try {
      const now = this.#running.session.counters();
      return {
        frames: this.#past.frames + now.frames,
        faults: this.#past.faults + now.faults,
        discardedBytes: this.#past.discardedBytes + now.discardedBytes,
      };
    } catch {
      // A driver that cannot even count: what it did before is all that is known.
      return this.#past;
    }
  }

  async #endSession(): Promise<void> {
    const running = this.#running;
    if (running === null) return;
    running.isEnding = true;
    running.subscription.unsubscribe();
    // A start under way is given up. A session that runs still has its stop command to send.
    if (!running.hasStarted) running.abort.abort();
    const stopped = (async () => running.session.stop())();
    await within(stopped, STOP_LIMIT_MS, this.#options.clock);
    running.abort.abort();
    if (this.#running !== running) return;
    this.#shared.revoke();
    this.#past = this.#sum();
    this.#running = null;
  }

  #take(session: DriverSession, event: DriverEvent): void {
    if (this.#running !== null && this.#running.session !== session) return;
    if (this.#isRefused) return;
    const { channels } = this.#options;
    const fault = eventFault(event, channels.length, this.#lastAtMs, this.label) ?? unitFault(event, channels, this.label);
    this.#isRefused = fault?.code === 'UNIT_REFUSED';
    if (fault !== null) return this.#options.onBroken(fault);
    this.#lastAtMs = event.atMs;
    this.#options.onEvent(event);
  }

  #break(thrown: unknown): void {
    const what = asTorsiondError(thrown, 'DRIVER_FAILED');
    const isOurs = what.code === 'DRIVER_FAILED';
    this.#options.onBroken(isOurs ? what : new TorsiondError('DRIVER_FAILED', `the driver failed: ${what.message}`, { where: this.label, cause: what }));
  }

  #noteComplete(session: DriverSession): void {
    this.#options.clock.after(END_GRACE_MS, () => {
      if (this.#hasEnded || this.#running?.session !== session || this.#running.isEnding) return;
      this.#break(new TorsiondError('DRIVER_FAILED', 'the driver ended its events while the link is open', { where: this.label }));
    });
  }
}

/** Why a link ended, as a fault; null: it came to its end as it should. */
export function endFault(end: LinkEnd, where: string): TorsiondError | null {
  if (end.reason === 'finished') return null;
  return end.reason === 'lost' ? end.error : new TorsiondError('LINK_LOST', 'the link closed by itself', { where });
}
