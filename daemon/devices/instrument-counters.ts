/** Counts of one instrument over all its connections. */
import type { SampleSource } from '../pipeline/sample-source.ts';
import type { ConnectionCounters } from './connection.ts';

type ChannelCounts = ReturnType<SampleSource['counters']>;

export class InstrumentCounters {
  connections = 0;
  /** Links that did not close in time and were left to the operating system. */
  abandoned = 0;
  /** Driver events that did not fit while the instrument identified itself. */
  heldDropped = 0;
  /** Times that the recorder tap threw. */
  tapFailures = 0;
  readonly #instrument: string;
  readonly #past = new Map<string, number>();

  constructor(instrument: string) {
    this.#instrument = instrument;
  }

  /** A connection is over: its counts join those of the past. */
  add(connection: ConnectionCounters | null, channels: ChannelCounts | null): void {
    this.#sumInto(this.#past, connection, channels);
  }

  /** Past connections and the present one. */
  snapshot(connection: ConnectionCounters | null, channels: ChannelCounts | null): ReadonlyMap<string, number> {
    const counts = new Map(this.#past);
    this.#sumInto(counts, connection, channels);
    counts.set(this.#name('connections'), this.connections);
    counts.set(this.#name('links_abandoned'), this.abandoned);
    counts.set(this.#name('held_events_dropped'), this.heldDropped);
    counts.set(this.#name('tap_failures'), this.tapFailures);
    return counts;
  }

  #sumInto(into: Map<string, number>, connection: ConnectionCounters | null, channels: ChannelCounts | null): void {
    const plus = (name: string, value: number): unknown => into.set(name, (into.get(name) ?? 0) + value);
    plus(this.#name('bytes'), connection?.bytes ?? 0);
    plus(this.#name('chunks'), connection?.chunks ?? 0);
    plus(this.#name('link_disturbances'), connection?.disturbances ?? 0);
    plus(this.#name('frames'), connection?.frames ?? 0);
    plus(this.#name('frame_faults'), connection?.faults ?? 0);
    plus(this.#name('discarded_bytes'), connection?.discardedBytes ?? 0);
    for (const { channel, samples, missing, dropped, steps } of channels ?? []) {
      plus(`torsiond_samples_total{channel="${channel}"}`, samples);
      plus(`torsiond_samples_missing_total{channel="${channel}"}`, missing);
      plus(`torsiond_samples_dropped_total{channel="${channel}"}`, dropped);
      plus(`torsiond_time_steps_total{channel="${channel}"}`, steps);
    }
  }

  #name(what: string): string {
    return `torsiond_instrument_${what}_total{instrument="${this.#instrument}"}`;
  }
}
