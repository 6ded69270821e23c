/** When a streaming instrument sends: as its quartz says, in chunks of a few milliseconds, or as fast as the port takes it. */
import type { Clock } from '../../shared/clock.ts';
import type { SimulatedPort } from '../ports/port.ts';
import { MAX_LATE_MS } from './virtual-instrument.ts';

export interface PacedStreamOptions {
  readonly clock: Clock;
  readonly port: SimulatedPort;
  readonly rateHz: number;
  /** `clock`: as declared; `flood`: as fast as the port takes them. */
  readonly pace: 'clock' | 'flood';
  /** Sends so many samples. */
  readonly send: (count: number) => void;
}

/** What is due is written in chunks this often, ms; slower streams one by one. */
const CHUNK_MS = 5;
const FLOOD_CHUNK_SAMPLES = 128;
const FLOOD_BACKLOG_BYTES = 64 * 1024;
const FLOOD_CHUNKS_PER_TURN = 8;

export class PacedStream {
  readonly #options: PacedStreamOptions;
  #cancel: (() => void) | null = null;
  #startMs = 0;
  #due = 0;
  lateSamples = 0;

  constructor(options: PacedStreamOptions) {
    this.#options = options;
  }

  get isRunning(): boolean {
    return this.#cancel !== null;
  }

  start(): void {
    if (this.#cancel) return;
    this.#startMs = this.#options.clock.monoMs();
    this.#due = 0;
    this.#schedule();
  }

  halt(): void {
    this.#cancel?.();
    this.#cancel = null;
  }

  #schedule(): void {
    const { clock, rateHz, pace } = this.#options;
    if (pace === 'flood') {
      this.#cancel = clock.after(1, () => this.#flood());
      return;
    }
    // A slow stream wakes when its next sample is due, a fast one every few ms for all that are due by then.
    const nextMs = this.#startMs + ((this.#due + 1) * 1_000) / rateHz - clock.monoMs();
    this.#cancel = clock.after(Math.max(nextMs, 1_000 / rateHz >= CHUNK_MS ? 0 : CHUNK_MS), () => this.#tick());
  }

  #tick(): void {
    const { clock, rateHz, send } = this.#options;
    const late = Math.floor(((clock.monoMs() - this.#startMs) * rateHz) / 1_000) - this.#due;
    const count = Math.min(late, Math.max(1, Math.floor((MAX_LATE_MS * rateHz) / 1_000)));
    if (late > count) this.lateSamples += late - count;
    this.#due += late;
    if (count > 0) send(count);
    this.#schedule();
  }

  #flood(): void {
    const { port, send } = this.#options;
    for (let i = 0; i < FLOOD_CHUNKS_PER_TURN && port.backlogBytes < FLOOD_BACKLOG_BYTES; i++) send(FLOOD_CHUNK_SAMPLES);
    this.#schedule();
  }
}
