/** A whole station on a clock that stands still: real instruments, driver, channels and keeper; the cable and the store are the test's. */
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { createLog } from '../../daemon/log.ts';
import type { ScannerSet } from '../../daemon/scanners/scanner-set.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../drivers/links/memory-link.ts';
import { findDriver } from '../../drivers/registry.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { ChannelCommand } from '../../shared/wire/commands.ts';
import { GatewayEvent } from '../../shared/wire/events.ts';
import { HeldStore } from './held-store.ts';
import { breathe } from './instrument-bench.ts';
import { ManualClock } from './manual-clock.ts';
import { seeded } from './seeded.ts';

type EventOf<Type extends GatewayEvent['type']> = Extract<GatewayEvent, { type: Type }>;
type CommandWithout<Command> = Command extends unknown ? Omit<Command, 'id' | 'channel'> : never;

export const RATE_HZ = 1_000;
const CHUNK_MS = 10;

export interface StationBench {
  readonly clock: ManualClock;
  readonly station: Station;
  readonly store: HeldStore;
  readonly events: GatewayEvent[];
  readonly blocks: SampleBlock[];
  readonly logLines: string[];
  /** The device's end of the present connection. */
  far(): MemoryFarEnd;
  of<Type extends GatewayEvent['type']>(type: Type): EventOf<Type>[];
  counter(name: string): number;
  /** Time without a byte. */
  pass(ms: number): Promise<void>;
  /** Sends lines as they are, at the present time. */
  send(text: string): Promise<void>;
  /** One value each millisecond, in chunks of ten lines. */
  torque(values: readonly number[], line?: (value: number) => string): Promise<void>;
  rest(ms: number): Promise<void>;
  /** Half a wave of torque, between two rests that are longer than the release time. */
  pull(peak: number, ms?: number): Promise<void>;
  command(command: CommandWithout<ChannelCommand>, channel?: string): Promise<unknown>;
  stop(): Promise<void>;
}

export const half = (peak: number, ms: number): number[] => Array.from({ length: ms }, (_, i) => Number((peak * Math.sin((Math.PI * (i + 0.5)) / ms)).toFixed(3)));

/** Streaming at 1 kHz when it resolves. `channel`: settings of the one channel. */
export async function stationBench(channel: Record<string, unknown> = {}, instrument: Record<string, unknown> = {}, store = new HeldStore(), scanners?: ScannerSet): Promise<StationBench> {
  const clock = new ManualClock();
  const farEnds: MemoryFarEnd[] = [];
  const logLines: string[] = [];
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: [{
      id: 'bench-a', link: { kind: 'serial', path: '/dev/made-up' }, driver: { id: 'ascii-lines' },
      channels: [{ sampleRateHz: RATE_HZ, zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-T60-0001 (invented)', capacity: 60 }, capture: { mode: 'peak' }, ...channel }],
      ...instrument,
    }],
  });
  const instruments = createInstrumentSet(settings.instruments, {
    clock, random: seeded(1), findDriver, portStamp: async () => 'a port',
    openLink: () => async () => {
      const { link, far } = createMemoryLink(clock, '/dev/made-up');
      farEnds.push(far);
      return link;
    },
  });
  const log = createLog({ isTerminal: false, level: 'info', write: (line) => logLines.push(line) });
  const station = new Station({ settings, instruments, store, clock, log, version: '0.0.0-test', ...(scanners ? { scanners } : {}) });
  const events: GatewayEvent[] = [];
  const blocks: SampleBlock[] = [];
  // Everything that is said must fit what the wire promises.
  station.events$.subscribe((event) => events.push(GatewayEvent.parse(event)));
  station.samples$.subscribe((block) => blocks.push(block));

  const bench: StationBench = {
    clock, station, store, events, blocks, logLines,
    far: () => farEnds.at(-1)!,
    of: <Type extends GatewayEvent['type']>(type: Type) => events.filter((event): event is EventOf<Type> => event.type === type),
    counter: (name) => station.counters().get(name) ?? Number.NaN,
    pass: async (ms) => {
      for (let passed = 0; passed < ms; passed += CHUNK_MS) {
        clock.advance(Math.min(CHUNK_MS, ms - passed));
        await breathe();
      }
    },
    send: async (text) => {
      bench.far().deliver(text);
      await breathe();
    },
    torque: async (values, line = (value) => `${value.toFixed(3)}\n`) => {
      for (let i = 0; i < values.length; i += CHUNK_MS) {
        const chunk = values.slice(i, i + CHUNK_MS);
        clock.advance((chunk.length * 1_000) / RATE_HZ);
        bench.far().deliver(chunk.map(line).join(''));
        await breathe();
      }
    },
    rest: (ms) => bench.torque(new Array<number>(ms).fill(0)),
    pull: async (peak, ms = 200) => {
      await bench.rest(60);
      await bench.torque(half(peak, ms));
      await bench.rest(60);
    },
    command: (command, to = 'bench-a/1') => station.command({ ...command, id: 'x', channel: to }),
    stop: async () => {
      const stopped = station.stop();
      for (let i = 0; i < 50; i++) await bench.pass(100);
      await stopped;
    },
  };
  station.start();
  await bench.pass(400);
  // The first line may be cut and does not count.
  await bench.send('0.000\n');
  await bench.rest(300);
  return bench;
}
