/**
 * The last device values of a channel: the pre-roll while nothing happens, the whole trace during a cycle.
 * Its end is always the end of the block appended last. Bounded by whoever calls `keepLast`.
 */
import type { Conditioning, SampleBlock } from '../../shared/sample-block.ts';
import { torqueOf } from '../conditioning/calibration.ts';

export interface SampleTime {
  readonly epoch: number;
  readonly firstIndex: number;
  readonly startWallMs: number;
}

/** More room than this, samples, is given back after a long cycle. */
const LARGE = 65_536;

export interface SampleHistoryState {
  readonly device: Float64Array;
  readonly status: Uint8Array | null;
}

export class SampleHistory {
  #device = new Float64Array(4096);
  /** Kept from the first sample on that is not clean. */
  #status: Uint8Array | null = null;
  #length = 0;

  get length(): number {
    return this.#length;
  }

  /** Samples that the memory held takes. */
  get room(): number {
    return this.#device.length;
  }

  append(block: SampleBlock): void {
    const count = block.device.length;
    this.#makeRoom(this.#length + count);
    this.#device.set(block.device, this.#length);
    if (block.status && !this.#status) this.#status = new Uint8Array(this.#device.length);
    if (this.#status) {
      if (block.status) this.#status.set(block.status, this.#length);
      else this.#status.fill(0, this.#length, this.#length + count);
    }
    this.#length += count;
  }

  /** Copies of the samples `from` up to `to`. */
  device(from: number, to: number): Float64Array {
    return this.#device.slice(from, to);
  }

  /** STATUS bits of the same samples, or null when all are clean. */
  status(from: number, to: number): Uint8Array | null {
    const bits = this.#status?.slice(from, to);
    return bits?.some((value) => value !== 0) ? bits : null;
  }

  snapshot(): SampleHistoryState {
    return { device: this.#device.slice(0, this.#length), status: this.#status && this.#status.slice(0, this.#length) };
  }

  restore(state: SampleHistoryState): void {
    this.#device = new Float64Array(Math.max(this.#device.length, state.device.length));
    this.#device.set(state.device);
    this.#status = state.status && new Uint8Array(this.#device.length);
    this.#status?.set(state.status!);
    this.#length = state.device.length;
  }

  /** Epoch, index and wall time of the sample at `at`. `last`: the block appended last. */
  timeOf(at: number, last: SampleBlock, toWallMs: (monoMs: number) => number): SampleTime {
    const fromBlock = at - (this.#length - last.torque.length);
    // Finer digits would tell how the samples were cut into blocks, not when they were taken.
    const startWallMs = Math.round(toWallMs(last.startMs + fromBlock * last.spacingMs) * 1000) / 1000;
    return { epoch: last.epoch, firstIndex: last.firstIndex + fromBlock, startWallMs };
  }

  /**
   * Leaves the `most` samples before `at` at the start, free of torque that belongs to a cycle before.
   * @returns their torque, conditioned anew: its zero may have been another one, and a trace has one conditioning
   */
  cutPreRoll(at: number, most: number, armTorque: number, conditioning: Conditioning): Float64Array {
    const from = Math.max(0, at - most);
    const torque = torqueOf(this.device(from, at), conditioning);
    const rest = torque.findLastIndex((value) => Math.abs(value) >= armTorque) + 1;
    this.dropBefore(from + rest);
    return torque.subarray(rest);
  }

  dropBefore(from: number): void {
    if (from <= 0) return;
    this.#device.copyWithin(0, from, this.#length);
    this.#status?.copyWithin(0, from, this.#length);
    this.#length -= from;
    if (this.#device.length > LARGE && this.#length < this.#device.length / 8) this.#resize(2 * this.#length);
  }

  /** Forgets all but the last `count`, cheaply: only when twice as many are held. */
  keepLast(count: number): void {
    if (this.#length >= 2 * count) this.dropBefore(this.#length - count);
  }

  clear(): void {
    this.#length = 0;
    this.#status = null;
  }

  #makeRoom(needed: number): void {
    if (needed <= this.#device.length) return;
    this.#resize(Math.max(needed, 2 * this.#device.length));
  }

  #resize(room: number): void {
    const device = new Float64Array(room);
    device.set(this.#device.subarray(0, this.#length));
    this.#device = device;
    if (!this.#status) return;
    const status = new Uint8Array(room);
    status.set(this.#status.subarray(0, this.#length));
    this.#status = status;
  }
}
