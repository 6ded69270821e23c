/** What every virtual instrument is to the bench that runs it. */
import type { Clock } from '../../shared/clock.ts';
import type { SimulatedPort } from '../ports/port.ts';

/** Where the torque of one channel comes from, sample by sample. */
export interface TorqueSource {
  /** The next sample, N.m. */
  next(): number;
  /** True when the last sample stood at the end of the converter's range. */
  readonly isSaturated: boolean;
  zero(): void;
}

/** What is shown of a torque in N.m: torque × factor + offset. */
export interface ShownScale {
  readonly factor: number;
  readonly offset: number;
}

export interface InstrumentChannel {
  readonly source: TorqueSource;
  readonly shown: ShownScale;
}

export interface InstrumentParts {
  readonly port: SimulatedPort;
  readonly clock: Clock;
  readonly channels: readonly InstrumentChannel[];
  /** Samples of each channel per second by its own quartz. */
  readonly rateHz: number;
}

/** All only grow. */
export interface InstrumentCounters {
  /** Lines, frames or answers sent. */
  readonly messages: number;
  /** Not sampled because this process was late by more than `MAX_LATE_MS`; the instrument's time stood still instead. */
  readonly lateSamples: number;
  /** Commands and questions heard. */
  readonly commands: number;
}

export interface VirtualInstrument {
  readonly counters: InstrumentCounters;
  /** Starts anew, as after its power came back. */
  switchOn(): void;
  switchOff(): void;
}

/** More than this is not made up for after a pause of the process, ms. */
export const MAX_LATE_MS = 500;

/** One sample of all channels into `values`. @returns whether one of them stood at the end of its range */
export function takeSample(channels: readonly InstrumentChannel[], values: Float64Array): boolean {
  let isOverloaded = false;
  for (let c = 0; c < channels.length; c++) {
    const { source, shown } = channels[c]!;
    values[c] = source.next() * shown.factor + shown.offset;
    if (source.isSaturated) isOverloaded = true;
  }
  return isOverloaded;
}
