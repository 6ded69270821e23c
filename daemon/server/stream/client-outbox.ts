/**
 * What leaves for one client, and what happens when the client does not read. Pure policy over a transport.
 *
 * The operating system takes megabytes for a stopped client before a socket says that anything is waiting, so bytes
 * are counted from sending until the client has answered a probe (a WebSocket ping) that was sent behind them. That
 * bounds memory on this side and in the kernel, and shows the age of what has not arrived.
 *
 * - flowing: everything is sent.
 * - slow (too much or too old on the way): samples and live values are skipped and counted per channel, readings wait
 *   in the store, other events still go out. When it flows again the counts are told.
 * - far too slow: closed with 1013. The client comes back and gets every reading it missed by `since`.
 */
export interface OutboxTransport {
  /** Bytes that wait in this process. */
  readonly bufferedAmount: number;
  send(data: Uint8Array, binary: boolean): void;
  /** Asks the other side for an answer that carries `mark`, behind everything sent so far. */
  probe(mark: number): void;
  close(code: number, reason: string): void;
}

export interface OutboxLimits {
  /** On the way beyond this, or older than this: slow. Flowing again below half of the bytes. */
  readonly slowBytes: number;
  readonly slowAgeMs: number;
  /** On the way beyond this, or older than this: closed. */
  readonly closeBytes: number;
  readonly closeAgeMs: number;
  /** A probe follows after so many bytes, or, when less is sent, after so long. */
  readonly probeBytes: number;
  readonly probeMs: number;
}

export const OUTBOX_LIMITS: OutboxLimits = {
  slowBytes: 256 * 1024, slowAgeMs: 1_000, closeBytes: 1024 * 1024, closeAgeMs: 30_000, probeBytes: 32 * 1024, probeMs: 100,
};

export const CLOSE_TOO_SLOW = 1013;

interface Probe { readonly mark: number; readonly sentMs: number; readonly bytesBefore: number }

export class ClientOutbox {
  readonly #transport: OutboxTransport;
  readonly #nowMs: () => number;
  readonly #onFlow: () => void;
  readonly #limits: OutboxLimits;
  #probes: Probe[] = [];
  #mark = 0;
  #sentBytes = 0;
  #arrivedBytes = 0;
  #probedBytes = 0;
  #probedMs = -Infinity;
  #isSlow = false;
  #isClosed = false;
  #skipped = new Map<string, number>();
  #skippedTotal = 0;

  /** @param onFlow called when there is room again after `hasRoom` was false; see `takeSkipped` */
  constructor(transport: OutboxTransport, nowMs: () => number, onFlow: () => void, limits: OutboxLimits = OUTBOX_LIMITS) {
    this.#transport = transport;
    this.#nowMs = nowMs;
    this.#onFlow = onFlow;
    this.#limits = limits;
  }

  /** Bytes sent and not known to have arrived. */
  get bytesOnTheWay(): number {
    return this.#sentBytes - this.#arrivedBytes;
  }

  get isSlow(): boolean {
    return this.#isSlow;
  }

  /** Whether a page of stored readings may go out now and leave room for live values. */
  get hasRoom(): boolean {
    return !this.#isClosed && !this.#isSlow && this.bytesOnTheWay <= this.#limits.slowBytes / 2;
  }

  get skippedTotal(): number {
    return this.#skippedTotal;
  }

  /** For what must arrive. Beyond the last limit the client is closed instead. */
  send(data: Uint8Array, binary = false): void {
    if (this.#isClosed) return;
    this.#transport.send(data, binary);
    this.#sentBytes += data.byteLength;
    this.#probe();
    this.check();
  }

  /**
   * For what may be skipped.
   * @param samples how many samples of the channel are lost with it
   * @returns whether it was sent
   */
  offer(data: Uint8Array, binary: boolean, channel: string, samples: number): boolean {
    if (this.#isClosed) return false;
    if (!this.#isSlow) this.check();
    if (this.#isSlow) {
      this.skip(channel, samples);
      return false;
    }
    this.send(data, binary);
    return true;
  }

  /** Counts samples as not delivered. */
  skip(channel: string, samples: number): void {
    if (samples <= 0 || this.#isClosed) return;
    this.#skipped.set(channel, (this.#skipped.get(channel) ?? 0) + samples);
    this.#skippedTotal += samples;
  }

  /** What was skipped since the last call, by channel. */
  takeSkipped(): ReadonlyMap<string, number> {
    const skipped = this.#skipped;
    if (skipped.size > 0) this.#skipped = new Map();
    return skipped;
  }

  /** The answer to a probe came. Answers that were never asked for change nothing. */
  acknowledged(mark: number): boolean {
    const index = this.#probes.findIndex((probe) => probe.mark === mark);
    if (index < 0) return false;
    const hadRoom = this.hasRoom;
    this.#arrivedBytes = this.#probes[index]!.bytesBefore;
    this.#probes = this.#probes.slice(index + 1);
    this.#isSlow = this.#isSlow && (this.bytesOnTheWay > this.#limits.slowBytes / 2 || this.#oldestAgeMs() > this.#limits.slowAgeMs);
    // What was sent since the last probe needs one too, or a client that is quiet from now on would stay slow.
    if (this.#isSlow || !this.hasRoom) this.#probe();
    if (!hadRoom && this.hasRoom) this.#onFlow();
    return true;
  }

  /** A probe for its own sake: the heartbeat. */
  heartbeat(): void {
    if (!this.#isClosed && this.#probes.length === 0) this.#sendProbe();
  }

  /** Looks at the limits. Also to be called now and then while nothing is sent. */
  check(): void {
    if (this.#isClosed) return;
    const limits = this.#limits;
    const ageMs = this.#oldestAgeMs();
    const bytes = Math.max(this.bytesOnTheWay, this.#transport.bufferedAmount);
    if (bytes > limits.closeBytes || (ageMs > limits.closeAgeMs && bytes > 0)) {
      this.close(CLOSE_TOO_SLOW, 'too slow; come back with since');
    } else if (bytes > limits.slowBytes || ageMs > limits.slowAgeMs) {
      this.#isSlow = true;
    }
  }

  close(code: number, reason: string): void {
    if (this.#isClosed) return;
    this.#isClosed = true;
    this.#skipped.clear();
    this.#transport.close(code, reason);
  }

  #oldestAgeMs(): number {
    const oldest = this.#probes[0];
    return oldest ? this.#nowMs() - oldest.sentMs : 0;
  }

  #probe(): void {
    const bytes = this.#sentBytes - this.#probedBytes;
    if (bytes <= 0) return;
    if (bytes >= this.#limits.probeBytes || this.#nowMs() - this.#probedMs >= this.#limits.probeMs) this.#sendProbe();
  }

  #sendProbe(): void {
    const nowMs = this.#nowMs();
    this.#mark = (this.#mark + 1) % 0x1_0000_0000;
    this.#probes.push({ mark: this.#mark, sentMs: nowMs, bytesBefore: this.#sentBytes });
    this.#probedBytes = this.#sentBytes;
    this.#probedMs = nowMs;
    this.#transport.probe(this.#mark);
  }
}
