/** What the server needs of the rest of the daemon; built by `app.ts`. */
import type { Observable } from 'rxjs';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { ChannelCommand } from '../../shared/wire/commands.ts';
import type { ChannelInfo, GatewayEvent, InstrumentInfo, ScannerInfo } from '../../shared/wire/events.ts';
import type { BrowserPorts } from '../devices/browser-ports.ts';
import type { ByteSink } from '../recording/byte-sink.ts';
import type { RecordOptions, RunningRecording } from '../recording/recording-hub.ts';
import type { ReadingStore } from '../storage/store.ts';

export interface Gateway {
  readonly station: string;
  readonly version: string;
  readonly store: ReadingStore;
  instruments(): readonly InstrumentInfo[];
  channels(): readonly ChannelInfo[];
  /** In the order of the settings. */
  scanners(): readonly ScannerInfo[];
  /** Hot; never errors. Everything of the wire but `channel.live`, which the server makes from `samples$`. */
  readonly events$: Observable<GatewayEvent>;
  /** Hot; never errors. Every channel's blocks. */
  readonly samples$: Observable<SampleBlock>;
  /** Latest torque after the channel's low-pass, N.m, or null while the channel gives nothing. */
  liveTorque(channel: string): number | null;
  /** Wall time of a monotonic time. */
  toWallMs(monoMs: number): number;
  /** @throws TorsiondError CHANNEL_UNKNOWN, CHANNEL_NOT_READY, MODE_MISMATCH, ZERO_REFUSED, RATE_TOO_LOW, LIMITS_INVALID … */
  command(command: ChannelCommand): Promise<unknown>;
  scan(code: string, source: string): void;
  /** Where pages bring the ports of their own computers. */
  readonly ports: Pick<BrowserPorts, 'check' | 'welcome'>;
  /**
   * Records the raw bytes of an instrument from now on into the sink.
   * @throws TorsiondError CHANNEL_UNKNOWN when there is no such instrument, LIMIT_REACHED, CHANNEL_NOT_READY when stopping
   */
  record(instrument: string, sink: ByteSink, options?: RecordOptions): Promise<RunningRecording>;
  /** Name → value of every counter and gauge, for /metrics and diagnose. Labels as in Prometheus text: `name{channel="a"}`. */
  counters(): ReadonlyMap<string, number>;
}
