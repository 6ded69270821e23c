/**
 * Device blocks to sample blocks: unit, calibration, sense and zero. A block in which the zero changes is cut at that
 * sample, so every block that leaves has one conditioning; where it is cut depends on the samples alone.
 */
import { TorsiondError } from '../../shared/errors.ts';
import type { CalibrationCurve, Conditioning, DeviceBlock, SampleBlock } from '../../shared/sample-block.ts';
import type { SignalScale } from '../../shared/signal.ts';
import { convertTorque } from '../../shared/units.ts';
import { BlockMemory } from './block-memory.ts';
import { applyConditioning } from './calibration.ts';
import { ZeroFinder, type ZeroFinderState } from './zero.ts';

export type ZeroRule =
  | { readonly kind: 'fixed'; readonly offset: number }
  | { readonly kind: 'command' }
  | { readonly kind: 'automatic'; readonly zone?: number | undefined; readonly quietMs: number };

/** The same rule with its torques in N.m. */
export function zeroNm(zero: ZeroRule, unit: string): ZeroRule {
  if (zero.kind === 'fixed') return { ...zero, offset: convertTorque(zero.offset, unit, 'N.m') };
  return zero.kind === 'command' || zero.zone === undefined ? zero : { ...zero, zone: convertTorque(zero.zone, unit, 'N.m') };
}

export interface ConditionerOptions {
  /** UCUM code of the device values, or of what `signal` makes of them, where a block names none. */
  readonly unit: string;
  /** For devices that send the signal of the bridge; a device that names a torque unit sends torque. */
  readonly signal?: SignalScale | null;
  readonly sign: 1 | -1;
  readonly calibration: CalibrationCurve;
  /** Torques in N.m. */
  readonly zero: ZeroRule;
  /** N.m */
  readonly capacity: number;
  /** Torque above this may be a cycle, and automatic zero leaves it alone, N.m. */
  readonly releaseTorque?: number;
  /** Told when a commanded zero was found or given up. */
  readonly onZero?: (result: { readonly zero: number } | { readonly fault: TorsiondError }) => void;
}

/** What the samples so far have made of a channel's zero. */
export interface ConditionerState {
  readonly unit: string;
  readonly isSignal: boolean;
  readonly zero: number;
  readonly base: number;
  readonly releaseTorque: number;
  readonly rateHz: number;
  readonly epoch: number;
  readonly automatic: ZeroFinderState | null;
  readonly commanded: { readonly finder: ZeroFinderState; readonly samplesLeft: number } | null;
  readonly isZeroWanted: boolean;
}

/** Automatic zero works within this share of capacity. */
const AUTOMATIC_ZONE = 0.01;
/**
 * And at most this share of capacity away from the zero it began with or was commanded, or a torque that grows slowly
 * enough would be followed for ever (OIML R 76 allows scales as much).
 */
const AUTOMATIC_RANGE = 0.04;
/** A commanded zero may move it by this share of capacity; more says something is mounted or broken. */
const COMMAND_ZONE = 0.2;
/** Still means slice means within this share of capacity. */
const QUIET_BAND = 0.002;
const COMMAND_QUIET_MS = 500;
/** A commanded zero is given up after this many stretches without stillness. */
const COMMAND_PATIENCE = 6;

export class Conditioner {
  readonly #options: ConditionerOptions;
  #conditioning: Conditioning;
  #rateHz = 0;
  #epoch = -1;
  #automatic: ZeroFinder | null = null;
  #commanded: { finder: ZeroFinder; samplesLeft: number } | null = null;
  #isZeroWanted = false;
  /** The zero at the beginning, or the last commanded one, N.m. */
  #base: number;
  #releaseTorque: number;
  readonly #memory = new BlockMemory();

  constructor(options: ConditionerOptions) {
    this.#options = options;
    this.#conditioning = {
      unit: options.unit,
      ...(options.signal && { signal: options.signal }),
      calibration: options.calibration,
      zero: options.zero.kind === 'fixed' ? options.zero.offset : 0,
      sign: options.sign,
    };
    this.#base = this.#conditioning.zero;
    this.#releaseTorque = options.releaseTorque ?? Infinity;
  }

  get conditioning(): Conditioning {
    return this.#conditioning;
  }

  /** Zero on command: from the next samples on, when they are still. Answers through `onZero`. */
  requestZero(): void {
    this.#isZeroWanted = true;
  }

  /** The samples end: a zero that was not found by then is not taken from what comes after. */
  abandonZero(): void {
    this.#isZeroWanted = false;
    this.#commanded = null;
  }

  /** @returns one block, or more when something about the zero changed inside. A block in another unit than the one before is a gap. */
  step(arrived: DeviceBlock): SampleBlock[] {
    const block = this.#inUnit(arrived);
    this.#prepare(block);
    const torque = this.#memory.take(block.device.length);
    applyConditioning(block.device, torque, this.#conditioning);
    const cut = this.#findZero(torque);
    if (cut < 0) return [{ ...block, torque, conditioning: this.#before! }];

    const head = slice(block, 0, cut);
    const out: SampleBlock[] = [{ ...head, torque: torque.slice(0, cut), conditioning: this.#before! }];
    if (cut < block.device.length) out.push(...this.step(slice(block, cut, block.device.length)));
    return out;
  }

  /** All that changes; to be written down at once. */
  snapshot(): ConditionerState {
    const { unit, signal, zero } = this.#conditioning;
    return {
      unit, isSignal: signal !== undefined, zero, base: this.#base, releaseTorque: this.#releaseTorque, rateHz: this.#rateHz, epoch: this.#epoch,
      automatic: this.#automatic && this.#automatic.snapshot(),
      commanded: this.#commanded && { finder: this.#commanded.finder.snapshot(), samplesLeft: this.#commanded.samplesLeft },
      isZeroWanted: this.#isZeroWanted,
    };
  }

  restore(state: ConditionerState): void {
    const { signal } = this.#options;
    const { signal: _, ...conditioning } = this.#conditioning;
    this.#conditioning = { ...conditioning, unit: state.unit, zero: state.zero, ...(signal && state.isSignal && { signal }) };
    this.#base = state.base;
    this.#releaseTorque = state.releaseTorque;
    this.#rateHz = state.rateHz;
    this.#epoch = state.epoch;
    this.#automatic = state.automatic && restoredFinder(state.automatic);
    this.#commanded = state.commanded && { finder: restoredFinder(state.commanded.finder), samplesLeft: state.commanded.samplesLeft };
    this.#isZeroWanted = state.isZeroWanted;
  }

  /** The conditioning in force while `#findZero` looked at the block. */
  #before: Conditioning | null = null;

  /** A trace has one unit, so what arrives in another one does not continue what came before. */
  #inUnit(block: DeviceBlock): DeviceBlock {
    const { unit: ownUnit, signal } = this.#options;
    const unit = block.unit ?? ownUnit;
    const isSignal = Boolean(signal) && block.unit === null;
    if (unit === this.#conditioning.unit && isSignal === (this.#conditioning.signal !== undefined)) return block;
    const { signal: _, ...conditioning } = this.#conditioning;
    this.#conditioning = { ...conditioning, unit, ...(signal && isSignal && { signal }) };
    return { ...block, gap: block.gap ?? 'settings' };
  }

  #prepare(block: DeviceBlock): void {
    if (block.rateHz !== this.#rateHz || block.epoch !== this.#epoch) {
      this.#rateHz = block.rateHz;
      this.#epoch = block.epoch;
      this.#automatic = this.#automaticFinder();
      if (this.#commanded) this.#isZeroWanted = true;
    } else if (block.gap !== null) {
      this.#automatic?.reset();
      this.#commanded?.finder.reset();
    }
    if (this.#isZeroWanted) {
      this.#isZeroWanted = false;
      const finder = new ZeroFinder({
        rateHz: this.#rateHz,
        quietMs: COMMAND_QUIET_MS,
        zone: COMMAND_ZONE * this.#options.capacity,
        band: QUIET_BAND * this.#options.capacity,
      });
      this.#commanded = { finder, samplesLeft: finder.stretchLength * COMMAND_PATIENCE };
    }
  }

  #automaticFinder(): ZeroFinder | null {
    const { zero, capacity } = this.#options;
    if (zero.kind !== 'automatic') return null;
    return new ZeroFinder({
      rateHz: this.#rateHz,
      quietMs: zero.quietMs,
      zone: Math.min(zero.zone ?? AUTOMATIC_ZONE * capacity, this.#releaseTorque),
      band: QUIET_BAND * capacity,
    });
  }

  /** @returns the index at which a new zero takes effect or the search for it ends, or -1. */
  #findZero(torque: Float64Array): number {
    this.#before = this.#conditioning;
    const commanded = this.#commanded;
    if (commanded) {
      const cut = commanded.finder.feed(torque.subarray(0, commanded.samplesLeft), 0);
      if (cut >= 0) {
        this.#commanded = null;
        this.#moveZero(commanded.finder.found);
        this.#base = this.#conditioning.zero;
        this.#options.onZero?.({ zero: this.#conditioning.zero });
        return cut;
      }
      const { samplesLeft } = commanded;
      commanded.samplesLeft -= torque.length;
      if (commanded.samplesLeft > 0) return -1;
      this.#commanded = null;
      this.#options.onZero?.({ fault: new TorsiondError('ZERO_REFUSED', 'the torque was not still, or not near zero') });
      return samplesLeft;
    }
    const automatic = this.#automatic;
    if (!automatic) return -1;
    let cut = automatic.feed(torque, 0);
    while (cut >= 0 && this.#isFar(automatic.found)) cut = automatic.feed(torque, cut);
    if (cut >= 0) this.#moveZero(automatic.found);
    return cut;
  }

  #isFar(by: number): boolean {
    return Math.abs(this.#conditioning.zero + by - this.#base) > AUTOMATIC_RANGE * this.#options.capacity;
  }

  #moveZero(by: number): void {
    this.#conditioning = { ...this.#conditioning, zero: this.#conditioning.zero + by };
    this.#automatic?.reset();
  }
}

function restoredFinder(state: ZeroFinderState): ZeroFinder {
  return new ZeroFinder({ rateHz: 1, quietMs: 1, zone: 0, band: 0 }).restore(state);
}

function slice(block: DeviceBlock, from: number, to: number): DeviceBlock {
  return {
    ...block,
    firstIndex: block.firstIndex + from,
    gap: from === 0 ? block.gap : null,
    startMs: block.startMs + from * block.spacingMs,
    device: block.device.slice(from, to),
    status: block.status === null ? null : block.status.slice(from, to),
  };
}
