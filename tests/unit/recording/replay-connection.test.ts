import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { createInstrument } from '../../../daemon/devices/instrument-runner.ts';
import { createRecorder, type ConnectionRecorder } from '../../../daemon/recording/recorder.ts';
import { readRecording } from '../../../daemon/recording/recording-reader.ts';
import { ReplayConnection } from '../../../daemon/recording/replay-connection.ts';
import { InstrumentSettings } from '../../../daemon/settings/schema.ts';
import { createMemoryLink } from '../../../drivers/links/memory-link.ts';
import { findDriver } from '../../../drivers/registry.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const driver = findDriver('ascii-lines');
/** Small and seeded; spreads lines over chunks and chunks over time. */
function randomNumbers(seed: number): () => number {
  let state = seed;
  return () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32;
  };
}

const instrumentSettings = (channel: object, options: object = {}): InstrumentSettings => InstrumentSettings.parse({
  id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: { id: 'ascii-lines', options },
  channels: [{ transducer: { serialNumber: 'HF-T-0001', capacity: 60 }, capture: { mode: 'peak' }, ...channel }],
});

/** A live instrument on a link in memory, recorded while it runs. @returns the blocks it gave */
async function runLive(settings: InstrumentSettings, text: string, path: string): Promise<DeviceBlock[]> {
  const clock = new ManualClock(1_000.123456);
  const random = randomNumbers(7);
  const { link, far } = createMemoryLink(clock);
  // What the device answers to the question who it is; its lines do not wait for that.
  far.onWrite((data) => void far.deliver(Buffer.from(data).toString().startsWith('WHO') ? 'Hollin & Fenn,HF bench meter,HF-0101,1.0\n' : ''));
  const recorder = await createRecorder(path, { station: 'Hollin & Fenn', software: 'torsiond test', clock });
  let connection: ConnectionRecorder | null = null;
  const blocks: DeviceBlock[] = [];
  const instrument = createInstrument(settings, {
    clock, driver, portExists: () => true, random: () => 0.5, openLink: async () => link,
    onChunk: (chunk, epoch) => (connection ??= recorder.connection(settings, epoch)).chunk(chunk),
  });
  instrument.blocks$.subscribe((block) => blocks.push(block));
  instrument.start();
  await waitUntil(() => instrument.info().state === 'settling', 'the link to be open');
  for (let i = 0; i < 20 && instrument.info().state !== 'streaming'; i++) {
    clock.advance(100);
    await new Promise((resolve) => setImmediate(resolve));
  }
  expect(instrument.info().state).toBe('streaming');
  // Whole nanoseconds as milliseconds, as the real clock gives them.
  let nanoseconds = Math.round(clock.monoMs() * 1e6);
  for (let at = 0; at < text.length; ) {
    const size = 1 + Math.floor(random() * 60);
    // About the time that these lines take at 1000 per second, give or take a fifth.
    nanoseconds += Math.round((size / 7) * (0.8 + 0.4 * random()) * 1e6);
    clock.advance(nanoseconds / 1e6 - clock.monoMs());
    far.deliver(text.slice(at, at + size), nanoseconds / 1e6);
    at += size;
  }
  await instrument.stop();
  await recorder.close();
  return blocks;
}

async function replayed(path: string): Promise<DeviceBlock[]> {
  const blocks: DeviceBlock[] = [];
  let replay: ReplayConnection | null = null;
  for await (const item of readRecording(path)) {
    if (item.kind === 'connection') replay = await ReplayConnection.open(item.connection, driver);
    else if (item.kind === 'chunk') blocks.push(...await replay!.feed(item.chunk));
  }
  blocks.push(...await replay!.finish());
  return blocks;
}

const lines = (count: number): string => Array.from({ length: count }, (_, i) => `${(30 * Math.sin(i / 300)).toFixed(3)}\n`).join('');

describe('a replay of a recording', () => {
  it.each([
    ['at a declared sample rate', instrumentSettings({ sampleRateHz: 1_000 })],
    ['at a measured sample rate', instrumentSettings({})],
    ['of a device that is asked who it is', instrumentSettings({ sampleRateHz: 1_000 }, { commands: { ending: '\n', identify: { send: 'WHO' } } })],
  ])('gives the very blocks that the live run gave, %s', async (_what, settings) => {
    const path = join(tempFolder(), 'a.mcap');
    const live = await runLive(settings, lines(4_000), path);
    expect(live.reduce((sum, block) => sum + block.device.length, 0)).toBeGreaterThan(3_900);
    expect(await replayed(path)).toEqual(live);
  });

  it('keeps garbage, lines without end and values that are no numbers out, as the live run did', async () => {
    const path = join(tempFolder(), 'a.mcap');
    const text = `${lines(500)}\u0000\u0007garbage\u001b\n${lines(500)}NaN\nInfinity\n1e999\n${'x'.repeat(8_000)}${lines(500)}\n${lines(500)}12.`;
    const live = await runLive(instrumentSettings({ sampleRateHz: 1_000 }), text, path);
    const values = live.flatMap((block) => [...block.device]);
    expect(values.every((value) => Number.isFinite(value) && Math.abs(value) <= 30)).toBe(true);
    expect(live.filter((block) => block.gap !== null).length).toBeGreaterThanOrEqual(2);
    expect(await replayed(path)).toEqual(live);
  });

  it('refuses a recording whose driver does not exist here', async () => {
    const settings = { ...instrumentSettings({ sampleRateHz: 1_000 }), driver: { id: 'gone', options: {} } };
    const connection = { instrument: settings, epoch: 1, piece: 0, station: 's', software: 'x', driverOrigin: null, startWallMs: 0, startMonoMs: 0, wallOffsetMs: 0, isJoined: false, hasState: false, fromMonoMs: null, hasHead: false, hasCommands: false };
    await expect(ReplayConnection.open(connection, null)).rejects.toMatchObject({ code: 'DRIVER_UNKNOWN' });
  });
});
