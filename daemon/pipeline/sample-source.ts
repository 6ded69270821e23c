/**
 * Driver events to device blocks: indices, gaps and times for all channels of one connection. A live instrument and a
 * replay use the same class; nothing in it depends on when it runs, only on the events and their arrival times.
 */
import type { DriverEvent } from '../../drivers/api.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { ErrorCode } from '../../shared/error-table.ts';
import type { DeviceBlock, GapReason } from '../../shared/sample-block.ts';
import { SampleClock } from './sample-clock.ts';

export interface SampleSourceOptions {
  /** Channel ids are this, a slash, and the number from 1. */
  readonly instrument: string;
  readonly epoch: number;
  /** Declared rate of each channel, S/s; null: measured. */
  readonly ratesHz: readonly (number | null)[];
  /** A pause longer than this (and than four samples) is a gap. */
  readonly silenceMs: number;
}

interface Channel {
  readonly id: string;
  readonly declaredHz: number | null;
  readonly clock: SampleClock;
  samples: number;
  missing: number;
}

/** A declared rate that arrivals contradict by more than this share is told. */
const RATE_TOLERANCE = 0.03;
const SILENT_SAMPLES = 4;

/** The end of the last values that a driver gave, by which a replay sees that its driver is in step with the live one. */
export interface LastValues {
  readonly channel: number;
  readonly atMs: number;
  readonly unit: string | null;
  readonly count: number;
  readonly values: Float64Array;
}

export type SampleSourceState = ReturnType<SampleSource['snapshot']>;

/** Values of the last event that are compared. */
const COMPARED_VALUES = 64;

export function lastValues(event: Extract<DriverEvent, { kind: 'values' }>): LastValues {
  const { channel, atMs, unit, values } = event;
  return { channel, atMs, unit, count: values.length, values: values.slice(-COMPARED_VALUES) };
}

export function channelId(instrument: string, channel: number): string {
  return `${instrument}/${channel + 1}`;
}

/** Faults that the device itself reports: it is alive and sends, though nothing that can be used. */
export function isSaidByDevice(code: ErrorCode): boolean {
  return code.startsWith('VALUE_');
}

export class SampleSource {
  readonly #silenceMs: number;
  readonly #channels: readonly Channel[];
  #last: Extract<DriverEvent, { kind: 'values' }> | null = null;

  constructor(options: SampleSourceOptions) {
    this.#silenceMs = options.silenceMs;
    this.#channels = options.ratesHz.map((declaredHz, i) => {
      const id = channelId(options.instrument, i);
      const clock = new SampleClock({ channel: id, epoch: options.epoch, declaredRateHz: declaredHz, silenceMs: options.silenceMs });
      return { id, declaredHz, clock, samples: 0, missing: 0 };
    });
  }

  /** @returns the blocks that the event completes; none while a rate is being measured. */
  step(event: DriverEvent): DeviceBlock[] {
    if (event.kind === 'values') {
      this.#last = event;
      const channel = this.#channels[event.channel]!;
      channel.samples += event.values.length;
      return channel.clock.push(event, event.atMs);
    }
    if (event.missing > 0) {
      const concerned = event.channel === null ? this.#channels : [this.#channels[event.channel]!];
      for (const channel of concerned) {
        channel.missing += event.missing;
        channel.clock.skip(event.missing, gapReason(event.error.code));
      }
    }
    return [];
  }

  /** No more events come, or not for long. @returns what waited for a later sample to tell whether any are missing */
  end(): DeviceBlock[] {
    return this.#channels.flatMap((channel) => channel.clock.end());
  }

  /** Nominal rate of a channel, S/s; null while it is being measured. */
  rateHz(channel: number): number | null {
    return this.#channels[channel]?.clock.rateHz ?? null;
  }

  /** Silence of the whole instrument begins after this, ms. */
  get silenceLimitMs(): number {
    return Math.max(...this.#channels.map((channel) => this.#limitMs(channel)));
  }

  /** The first channel whose arrivals contradict its declared rate, as a fault to show. */
  rateFault(): TorsiondError | null {
    for (const { id, declaredHz, clock } of this.#channels) {
      const measuredHz = clock.measuredHz;
      if (declaredHz === null || measuredHz === null || Math.abs(measuredHz / declaredHz - 1) <= RATE_TOLERANCE) continue;
      return new TorsiondError('DEVICE_RATE', `the settings say ${declaredHz} samples per second, ${measuredHz.toPrecision(3)} arrive`, { where: id });
    }
    return null;
  }

  /** Per channel: samples taken, missing, dropped while measuring, and steps of the time base. */
  counters(): readonly { readonly channel: string; readonly samples: number; readonly missing: number; readonly dropped: number; readonly steps: number }[] {
    return this.#channels.map(({ id, samples, missing, clock }) => {
      const counted = clock.counters();
      return { channel: id, samples, dropped: counted.dropped, steps: counted.steps, missing: missing + counted.missing };
    });
  }

  /** All that changes, and the last values; to be written down at once, for its arrays go on changing. */
  snapshot() {
    return {
      channels: this.#channels.map(({ clock, samples, missing }) => ({ clock: clock.snapshot(), samples, missing })),
      last: this.#last && lastValues(this.#last),
    };
  }

  restore(state: SampleSourceState): void {
    this.#last = null;
    for (const [i, { clock, ...counts }] of state.channels.entries()) {
      const channel = this.#channels[i]!;
      channel.clock.restore(clock);
      Object.assign(channel, counts);
    }
  }

  #limitMs(channel: Channel): number {
    const rateHz = channel.clock.rateHz;
    return rateHz === null ? this.#silenceMs : Math.max(this.#silenceMs, (SILENT_SAMPLES * 1_000) / rateHz);
  }
}

function gapReason(code: ErrorCode): GapReason {
  if (code === 'VALUE_OVERLOAD') return 'overload';
  return code === 'VALUE_NOT_FINITE' || code === 'FRAME_UNREADABLE' ? 'bad-sample' : 'lost-samples';
}
