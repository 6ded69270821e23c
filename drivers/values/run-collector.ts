/** Gathers what the frames of one chunk meant into few events: one run of values per channel, one fault per kind in a row. */
import type { DriverEvent } from '../api.ts';
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';

/** So many bad frames in a row are no accident. */
const MANY_BAD = 20;
const MANY_BAD_HINT = 'Nothing readable comes. Check the baud rate, data bits and parity first, then the driver options that say how frames end and where values stand.';

interface Run {
  values: Float64Array;
  status: Uint8Array;
  hasStatus: boolean;
  unit: string | null;
  count: number;
}

interface PendingFault {
  readonly channel: number | null;
  readonly code: ErrorCode;
  readonly message: string;
  missing: number;
  times: number;
}

export class RunCollector {
  /** Frames, or parts of frames for a channel, that gave no value. */
  faults = 0;
  readonly #where: string;
  readonly #emit: (event: DriverEvent) => void;
  readonly #runs: readonly Run[];
  #pending: PendingFault | null = null;
  #badInARow = 0;
  #atMs = 0;

  constructor(channels: number, where: string, emit: (event: DriverEvent) => void) {
    this.#where = where;
    this.#emit = emit;
    this.#runs = Array.from({ length: channels }, () => ({
      values: new Float64Array(512), status: new Uint8Array(512), hasStatus: false, unit: null, count: 0,
    }));
  }

  begin(atMs: number): void {
    this.#atMs = atMs;
  }

  value(channel: number, value: number, unit: string | null, status: number): void {
    if (this.#pending !== null) this.#tellFault();
    this.#badInARow = 0;
    const run = this.#runs[channel]!;
    if (run.unit !== unit) {
      this.#tellRun(channel);
      run.unit = unit;
    }
    if (run.count === run.values.length) grow(run);
    run.values[run.count] = value;
    run.status[run.count] = status;
    if (status !== 0) run.hasStatus = true;
    run.count++;
  }

  /** `missing` samples of the channel, or of every channel, are missing here; 0: it is only told. */
  fault(channel: number | null, code: ErrorCode, message: string, missing = 1): void {
    this.faults++;
    this.#badInARow++;
    const pending = this.#pending;
    if (pending && pending.code === code && pending.channel === channel) {
      pending.missing += missing;
      pending.times++;
      return;
    }
    this.#tellFault();
    // What came before it must be told before it.
    if (channel === null) this.#runs.forEach((_, index) => this.#tellRun(index));
    else this.#tellRun(channel);
    this.#pending = { channel, code, message, missing, times: 1 };
  }

  /** Tells what the chunk held. */
  end(): void {
    this.#tellFault();
    for (let channel = 0; channel < this.#runs.length; channel++) this.#tellRun(channel);
  }

  #tellRun(channel: number): void {
    const run = this.#runs[channel]!;
    if (run.count === 0) return;
    const values = run.values.slice(0, run.count);
    const status = run.hasStatus ? run.status.slice(0, run.count) : null;
    run.count = 0;
    run.hasStatus = false;
    this.#emit({ kind: 'values', channel, values, unit: run.unit, status, atMs: this.#atMs });
  }

  #tellFault(): void {
    const fault = this.#pending;
    if (!fault) return;
    this.#pending = null;
    const message = fault.times === 1 ? fault.message : `${fault.times} times in a row, first: ${fault.message}`;
    const where = fault.channel === null || this.#runs.length === 1 ? this.#where : `${this.#where}, channel ${fault.channel + 1}`;
    const isUnreadable = fault.code === 'FRAME_UNREADABLE' || fault.code === 'FRAME_TOO_LONG';
    const hint = this.#badInARow >= MANY_BAD && isUnreadable ? { hint: MANY_BAD_HINT } : {};
    this.#emit({ kind: 'fault', error: new TorsiondError(fault.code, message, { where, ...hint }), channel: fault.channel, missing: fault.missing, atMs: this.#atMs });
  }
}

function grow(run: Run): void {
  const values = new Float64Array(run.values.length * 2);
  values.set(run.values);
  const status = new Uint8Array(values.length);
  status.set(run.status);
  run.values = values;
  run.status = status;
}
