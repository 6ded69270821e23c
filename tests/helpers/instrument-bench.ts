import { createInstrument } from '../../daemon/devices/instrument-runner.ts';
import type { Instrument, InstrumentDeps, InstrumentGap } from '../../daemon/devices/instrument.ts';
import { InstrumentSettings } from '../../daemon/settings/schema.ts';
import type { ByteLink } from '../../drivers/links/link.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../drivers/links/memory-link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import { ManualClock } from './manual-clock.ts';
import { seeded } from './seeded.ts';

/** Lets everything that waits only for promises go on. */
export async function breathe(): Promise<void> {
  for (let i = 0; i < 4; i++) await new Promise((resolve) => setImmediate(resolve));
}

export interface InstrumentBench {
  readonly clock: ManualClock;
  readonly instrument: Instrument;
  readonly infos: InstrumentInfo[];
  readonly blocks: DeviceBlock[];
  readonly gaps: InstrumentGap[];
  /** Far ends of all links opened so far; the last is the present one. */
  readonly far: MemoryFarEnd[];
  /** Most links that were open at the same time. */
  readonly mostOpen: () => number;
  /** Set these to change what the port does. */
  readonly port: { exists: boolean; refusal: TorsiondError | null; stamp: string };
  state(): string;
  /** Moves time on in steps of 10 ms and lets promises settle after each. */
  pass(ms: number): Promise<void>;
  /** A device that sends `perChunk` bytes each `everyMs` for `ms`. */
  stream(ms: number, everyMs?: number, perChunk?: number): Promise<void>;
  toStreaming(): Promise<void>;
}

export function instrumentBench(
  deps: Pick<InstrumentDeps, 'driver'> & Partial<InstrumentDeps> & { wrapLink?: (link: ByteLink) => ByteLink },
  overrides: Record<string, unknown> = {},
): InstrumentBench {
  const clock = new ManualClock();
  const far: MemoryFarEnd[] = [];
  const port = { exists: true, refusal: null as TorsiondError | null, stamp: 'a' };
  let open = 0;
  let most = 0;
  const settings = InstrumentSettings.parse({
    id: 'bench-a',
    link: { kind: 'serial', path: '/dev/made-up' },
    driver: { id: 'scripted' },
    channels: [{ sampleRateHz: 100, transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }],
    ...overrides,
  });
  const instrument = createInstrument(settings, {
    clock,
    random: seeded(1),
    portExists: () => port.exists,
    portStamp: async () => (port.exists ? port.stamp : null),
    openLink: async () => {
      if (!port.exists) throw new TorsiondError('LINK_NOT_FOUND', 'no such port');
      if (port.refusal) throw port.refusal;
      const made = createMemoryLink(clock, '/dev/made-up');
      far.push(made.far);
      open += 1;
      most = Math.max(most, open);
      void made.link.ended.then(() => (open -= 1));
      return deps.wrapLink ? deps.wrapLink(made.link) : made.link;
    },
    ...deps,
  });
  const infos: InstrumentInfo[] = [];
  const blocks: DeviceBlock[] = [];
  const gaps: InstrumentGap[] = [];
  instrument.info$.subscribe((info) => infos.push(info));
  instrument.blocks$.subscribe((block) => blocks.push(block));
  instrument.gaps$.subscribe((gap) => gaps.push(gap));
  const bench: InstrumentBench = {
    clock, instrument, infos, blocks, gaps, far, port,
    mostOpen: () => most,
    state: () => instrument.info().state,
    pass: async (ms) => {
      for (let passed = 0; passed < ms; passed += 10) {
        clock.advance(Math.min(10, ms - passed));
        await breathe();
      }
    },
    stream: async (ms, everyMs = 10, perChunk = 1) => {
      for (let passed = 0; passed < ms; passed += everyMs) {
        clock.advance(everyMs);
        far.at(-1)!.deliver(new Uint8Array(perChunk).fill(1));
      }
      await breathe();
    },
    toStreaming: async () => {
      instrument.start();
      await breathe();
      await bench.pass(300);
      if (bench.state() !== 'streaming') throw new Error(`not streaming but ${bench.state()}`);
    },
  };
  return bench;
}
