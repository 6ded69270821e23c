/** A port with a bad line: wraps any port. What the instrument writes goes through the fault plan first. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { PortAddress, PortCounters, SimulatedPort } from '../ports/port.ts';
import { SeededRandom } from '../random.ts';
import type { FaultPlan } from './fault-plan.ts';

/** All only grow, but for `heldBytes`. in + duplicated + garbage = out + lost + stalled + held. */
export interface FaultCounters {
  readonly inBytes: number;
  readonly outBytes: number;
  readonly lostBytes: number;
  readonly duplicatedBytes: number;
  readonly garbageBytes: number;
  readonly stalledBytes: number;
  /** Waiting for the next write: the second part of a cut one, or one that is to be merged. At most `MAX_HELD_BYTES`. */
  readonly heldBytes: number;
  readonly unplugs: number;
  /** Bits turned over. */
  readonly flips: number;
}

export interface FaultyPortOptions {
  /** Ends a line; lost and duplicated lines are whole lines. Null: nothing ends a message, and the plan has no faults of lines. */
  readonly delimiter: string | null;
  /** Told after the port is plugged in again: the instrument behind it starts anew. */
  readonly onPluggedIn?: () => void;
  readonly onUnplugged?: () => void;
  /** An unplug or replug of the timeline failed. */
  readonly onFault?: (error: unknown) => void;
}

const MAX_HELD_BYTES = 64 * 1024;

export class FaultyPort implements SimulatedPort {
  readonly #inner: SimulatedPort;
  readonly #plan: FaultPlan;
  readonly #clock: Clock;
  readonly #options: FaultyPortOptions;
  readonly #random: SeededRandom;
  readonly #lineEnd: number | null;
  readonly #cancels = new Set<() => void>();
  #counters = { inBytes: 0, outBytes: 0, lostBytes: 0, duplicatedBytes: 0, garbageBytes: 0, stalledBytes: 0, heldBytes: 0, unplugs: 0, flips: 0 };
  #held: Uint8Array[] = [];
  #stalls = 0;

  /** The timeline begins now. */
  constructor(inner: SimulatedPort, plan: FaultPlan, clock: Clock, options: FaultyPortOptions) {
    this.#inner = inner;
    this.#plan = plan;
    this.#clock = clock;
    this.#options = options;
    this.#random = new SeededRandom(plan.seed);
    if (options.delimiter === null && plan.lines.lostShare + plan.lines.duplicatedShare > 0) {
      throw new TorsiondError('SIM_SCENARIO', 'lines are to be lost or doubled where nothing ends a message', { hint: 'Take faults of chunks, garbage or the timeline.' });
    }
    this.#lineEnd = options.delimiter === null ? null : options.delimiter.charCodeAt(options.delimiter.length - 1);
    this.#beginTimeline();
  }

  get address(): PortAddress {
    return this.#inner.address;
  }

  get isPluggedIn(): boolean {
    return this.#inner.isPluggedIn;
  }

  get backlogBytes(): number {
    return this.#inner.backlogBytes;
  }

  get counters(): PortCounters {
    return this.#inner.counters;
  }

  get faults(): FaultCounters {
    return { ...this.#counters };
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#inner.onData(listener);
  }

  write(bytes: Uint8Array): void {
    this.#counters.inBytes += bytes.length;
    if (this.#stalls > 0) {
      this.#counters.stalledBytes += bytes.length;
      return;
    }
    const { chunks, garbage } = this.#plan;
    const random = this.#random;
    const sound = this.#flipBit(this.#spoilLines(bytes));
    if (random.happens(garbage.share)) {
      const noise = Uint8Array.from({ length: random.integer(1, garbage.maxBytes) }, () => random.integer(0, 255));
      this.#counters.garbageBytes += noise.length;
      this.#hold(noise);
    }
    if (random.happens(chunks.splitShare) && sound.length > 1) {
      const cut = random.integer(1, sound.length - 1);
      this.#hold(sound.subarray(0, cut));
      this.#release();
      this.#hold(sound.subarray(cut));
      return;
    }
    this.#hold(sound);
    if (this.#counters.heldBytes < MAX_HELD_BYTES && random.happens(chunks.mergeShare)) return;
    this.#release();
  }

  async unplug(): Promise<void> {
    this.#counters.unplugs++;
    this.#counters.lostBytes += this.#counters.heldBytes;
    this.#counters.heldBytes = 0;
    this.#held = [];
    await this.#inner.unplug();
    this.#options.onUnplugged?.();
  }

  async replug(): Promise<void> {
    await this.#inner.replug();
    this.#options.onPluggedIn?.();
  }

  async close(): Promise<void> {
    for (const cancel of this.#cancels) cancel();
    this.#cancels.clear();
    await this.#inner.close();
  }

  #spoilLines(bytes: Uint8Array): Uint8Array {
    const { lostShare, duplicatedShare } = this.#plan.lines;
    if (this.#lineEnd === null || (lostShare === 0 && duplicatedShare === 0)) return bytes;
    const kept: Uint8Array[] = [];
    for (let from = 0; from < bytes.length; ) {
      const end = bytes.indexOf(this.#lineEnd, from);
      const to = end < 0 ? bytes.length : end + 1;
      const line = bytes.subarray(from, to);
      from = to;
      if (this.#random.happens(lostShare)) {
        this.#counters.lostBytes += line.length;
        continue;
      }
      kept.push(line);
      if (this.#random.happens(duplicatedShare)) {
        this.#counters.duplicatedBytes += line.length;
        kept.push(line);
      }
    }
    return joined(kept);
  }

  #flipBit(bytes: Uint8Array): Uint8Array {
    const { flippedShare } = this.#plan.bits;
    // Without such faults no chance is used, so that other faults stay where they were.
    if (flippedShare === 0 || bytes.length === 0 || !this.#random.happens(flippedShare)) return bytes;
    const flipped = bytes.slice();
    const at = this.#random.integer(0, bytes.length - 1);
    flipped[at] = flipped[at]! ^ (1 << this.#random.integer(0, 7));
    this.#counters.flips++;
    return flipped;
  }

  #hold(bytes: Uint8Array): void {
    this.#held.push(bytes);
    this.#counters.heldBytes += bytes.length;
  }

  #release(): void {
    const all = joined(this.#held);
    this.#held = [];
    this.#counters.heldBytes = 0;
    this.#counters.outBytes += all.length;
    if (all.length > 0) this.#inner.write(all);
  }

  #beginTimeline(): void {
    const { timeline, repeatS } = this.#plan;
    for (const fault of timeline) {
      this.#after(fault.atS, () => {
        if (fault.kind === 'stall') {
          this.#stalls++;
          this.#after(fault.forS, () => void this.#stalls--);
        } else {
          this.unplug().catch((error: unknown) => this.#options.onFault?.(error));
          const { forS } = fault;
          if (forS !== null) this.#after(forS, () => void this.replug().catch((error: unknown) => this.#options.onFault?.(error)));
        }
      });
    }
    if (repeatS !== null && timeline.length > 0) this.#after(repeatS, () => this.#beginTimeline());
  }

  #after(seconds: number, action: () => void): void {
    const cancel = this.#clock.after(seconds * 1_000, () => {
      this.#cancels.delete(cancel);
      action();
    });
    this.#cancels.add(cancel);
  }
}

function joined(parts: readonly Uint8Array[]): Uint8Array {
  if (parts.length === 1) return parts[0]!;
  const all = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) {
    all.set(part, at);
    at += part.length;
  }
  return all;
}
