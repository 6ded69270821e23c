import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { createInstrument } from '../../../daemon/devices/instrument-runner.ts';
import { createFileSink } from '../../../daemon/recording/byte-sink.ts';
import { createRecorder } from '../../../daemon/recording/recorder.ts';
import { noteMark } from '../../../daemon/recording/recording-format.ts';
import { RecordingHub, type RecordingSource, type RunningRecording } from '../../../daemon/recording/recording-hub.ts';
import type { ReplayResult } from '../../../daemon/recording/replay-types.ts';
import { replayFile } from '../../../daemon/recording/replay.ts';
import { ChannelSettings, InstrumentSettings } from '../../../daemon/settings/schema.ts';
import { createMemoryLink } from '../../../drivers/links/memory-link.ts';
import { mbapFrame, rtuFrame } from '../../../drivers/protocols/modbus/codec.ts';
import { findDriver } from '../../../drivers/registry.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { seeded } from '../../helpers/seeded.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

const poll = { rateHz: 20, timeoutMs: 30, quietMs: 20 };
const registers = (count: number, value: number): Uint8Array => Uint8Array.of(3, 2 * count, ...Array.from({ length: count }, () => [value >> 8, value & 0xff]).flat());

interface Device {
  readonly name: string;
  readonly driver: object;
  readonly channels: number;
  /** @param value of this poll; null: garbage */
  readonly answer: (message: Buffer, value: number | null) => Uint8Array | string | null;
  /** Its commands.zero is set. */
  readonly hasZero: boolean;
}

const scpiAnswer = (message: Buffer, value: number | null): string | null => {
  const text = message.toString();
  if (text === '*IDN?\n') return 'Hollin & Fenn,HF-A2,0107,1.4\n';
  if (text === 'SYST:ERR?\n') return value !== null && value % 3 === 0 ? '-230,"Data corrupt or stale"\n' : '0,"No error"\n';
  return text === 'READ?\n' ? (value === null ? '?#!\n' : `${value}\r\n`) : null;
};

const selectedAnswer = (message: Buffer, value: number | null): string | null => {
  const text = message.toString().trim();
  if (text === 'A' || text === 'B') return value === null ? '#\n' : `${text}\n`;
  return text === 'M' ? (value === null ? '#?!\n' : `${value}\n`) : null;
};

const DEVICES: readonly Device[] = [
  { name: 'scpi', driver: { id: 'scpi', options: { poll, commands: { zero: 'ZERO' } } }, channels: 1, hasZero: true, answer: scpiAnswer },
  { name: 'scpi, as fast as answered', driver: { id: 'scpi', options: { poll: { ...poll, rateHz: undefined, asFastAsAnswered: true }, commands: { zero: 'ZERO' } } }, channels: 1, hasZero: true, answer: scpiAnswer },
  {
    name: 'modbus-rtu, two units, one of which dies', channels: 2, hasZero: false,
    driver: { id: 'modbus-rtu', options: { poll, channels: [{ address: 0, type: 'u16' }, { unit: 2, address: 0, type: 'u16' }] } },
    answer: (message, value) => (value === null ? Uint8Array.of(1, 3, 2, 9, 9, 9, 9) : message[0] === 2 && value > 40 ? null : rtuFrame(message[0]!, registers(1, value))),
  },
  {
    name: 'modbus-tcp', channels: 1, hasZero: true,
    driver: { id: 'modbus-tcp', options: { poll, channels: [{ address: 0, type: 'u16' }], commands: { zero: { address: 9, values: [1] } } } },
    answer: (message, value) => mbapFrame(message.readUInt16BE(0), 1, message[7] === 6 ? message.subarray(7) : value === null ? Uint8Array.of(0x83, 6) : registers(1, value)),
  },
  { name: 'asked lines', driver: { id: 'ascii-lines', options: { poll: { ...poll, request: 'M' }, commands: { zero: 'Z' } } }, channels: 1, hasZero: true, answer: (message, value) => (message.toString() === 'M\r\n' ? (value === null ? '#?!\n' : `${value}\n`) : null) },
  {
    name: 'asked lines, two inputs that are selected', channels: 2, hasZero: true, answer: selectedAnswer,
    driver: { id: 'ascii-lines', options: { poll: { ...poll, rateHz: 10, request: 'M', inputs: ['A', 'B'].map((send) => ({ select: { send, answer: `^${send}$`, settleMs: 5 } })) }, commands: { zero: 'Z' } } },
  },
  {
    name: 'asked lines, two inputs that are selected without a word', channels: 2, hasZero: true, answer: (message, value) => (/^[AB]/.test(message.toString()) ? null : selectedAnswer(message, value)),
    driver: { id: 'ascii-lines', options: { poll: { ...poll, rateHz: 10, request: 'M', inputs: ['A', 'B'].map((send) => ({ select: { send, settleMs: 5 } })) }, commands: { zero: 'Z' } } },
  },
  {
    name: 'scpi, two inputs that are selected', channels: 2, hasZero: true, answer: (message, value) => (message.toString().startsWith('SEL') ? '1\n' : scpiAnswer(message, value)),
    driver: { id: 'scpi', options: { poll: { ...poll, rateHz: 10 }, queries: [{ select: { send: 'SEL 1;*OPC?', settleMs: 5 }, text: 'READ?' }, { select: { send: 'SEL 2;*OPC?', settleMs: 5 }, text: 'READ?' }], commands: { zero: 'ZERO' } } },
  },
];

/**
 * A live instrument whose device answers late, too late, wrongly, in pieces or not at all, and whose timers come late too;
 * recorded from `joinAtMs` on, as the gateway does it.
 * @returns the blocks that it gave from then on
 */
async function runLive(device: Device, seed: number, path: string, joinAtMs: number): Promise<DeviceBlock[]> {
  const clock = new ManualClock(1_000.125);
  const random = seeded(seed);
  const { link, far } = createMemoryLink(clock);
  let value = 0;
  let isRough = false;
  far.onWrite((message) => {
    const fate = isRough ? random() : 1;
    const bytes = device.answer(Buffer.from(message), fate < 0.04 ? null : ++value);
    if (bytes === null || fate < 0.08) return;
    // Beyond 30 ms it is late; beyond 50 ms it is later than the time of the next poll.
    const delayMs = fate < 0.16 ? 31 + 60 * random() : 1 + 10 * random();
    const whole = Buffer.from(bytes);
    const cut = fate > 0.9 ? 3 : whole.length;
    // Whole nanoseconds as milliseconds, as the real clock gives them.
    const deliver = (part: Uint8Array): boolean => far.isOpen && far.deliver(part, Math.round(clock.monoMs() * 1e6) / 1e6);
    clock.after(delayMs, () => deliver(whole.subarray(0, cut)));
    if (cut < whole.length) clock.after(delayMs + 2, () => deliver(whole.subarray(cut)));
  });
  const settings = InstrumentSettings.parse({
    id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: device.driver,
    channels: Array.from({ length: device.channels }, (_, i) => ({ transducer: { serialNumber: `HF-T-000${i}`, capacity: 60 }, capture: { mode: 'peak' } })),
  });
  const hub = new RecordingHub({ station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const blocks: DeviceBlock[] = [];
  const instrument = createInstrument(settings, {
    clock, driver: findDriver(settings.driver.id), portExists: () => true, random: () => 0.5, openLink: async () => link,
    onChunk: (chunk, epoch) => {
      isRecorded ||= recording !== null;
      hub.chunk(settings.id, chunk, epoch);
    },
    onNote: (note, epoch) => hub.mark(settings.id, noteMark(settings.id, epoch, note)),
  });
  // The blocks here are of the instrument alone: of its channels nothing is known.
  const source: RecordingSource = {
    settings: () => settings, isStreaming: () => ['streaming', 'stalled'].includes(instrument.info().state), wallOffsetMs: () => 0, captureState: () => null,
    state: () => ({ source: instrument.sampleState(), wall: [{ fromMs: -Infinity, offsetMs: 0 }], channels: [] }),
  };
  hub.watch(settings.id, source);
  let recording: RunningRecording | null = null;
  let isRecorded = false;
  const join = async (): Promise<void> => {
    recording ??= await hub.record(settings.id, source, await createFileSink(path, clock));
  };
  if (joinAtMs === 0) await join();
  instrument.blocks$.subscribe((block) => isRecorded && blocks.push(block));
  instrument.start();
  const pass = async (ms: number): Promise<void> => {
    for (const endMs = clock.monoMs() + ms; clock.monoMs() < endMs;) {
      // A busy process: timers come up to 3 ms late, and now and then 120 ms.
      clock.advance(isRough && random() < 0.004 ? 120 : 0.5 + 2.5 * random());
      if (joinAtMs > 0 && clock.monoMs() >= joinAtMs) await join();
      await new Promise((resolve) => setImmediate(resolve));
    }
  };
  await pass(600);
  isRough = true;
  await pass(2_500);
  if (device.hasZero) void instrument.command({ kind: 'zero' }).catch(() => {});
  await pass(2_500);
  await instrument.stop();
  await recording!.stop();
  return blocks;
}

async function replayed(path: string): Promise<{ blocks: DeviceBlock[]; results: ReplayResult[] }> {
  const blocks: DeviceBlock[] = [];
  const results: ReplayResult[] = [];
  const options = {
    adapt: (recorded: ChannelSettings) => recorded,
    traceSettings: ChannelSettings.parse({ transducer: { serialNumber: 'none', capacity: 1 }, capture: { mode: 'peak' } }),
    asked: {}, blockSize: 256, findDriver,
    openPipeline: () => ({ push: (block: DeviceBlock) => (blocks.push(block), []), end: () => [], restore: () => {}, startCapture: () => [], act: () => [] }),
    pace: () => null, stop: new AbortController().signal,
  };
  for await (const result of replayFile(path, options)) results.push(result);
  return { blocks, results };
}

describe.each(DEVICES)('the recording of an instrument that is asked: $name', (device) => {
  it.each([1, 2, 3])('gives the very blocks of the live run, with every gap where it was (seed %i)', async (seed) => {
    const path = join(tempFolder(), 'a.mcap');
    const live = await runLive(device, seed, path, 0);
    expect(live.length).toBeGreaterThan(40);
    expect(live.some((block) => block.gap === 'lost-samples')).toBe(true);
    const { blocks, results } = await replayed(path);
    expect(results).toEqual([]);
    expect(blocks).toEqual(live);
  });

  it.each([4, 5, 6, 7])('that begins in the midst of it gives the very blocks from there on (seed %i)', async (seed) => {
    const path = join(tempFolder(), 'a.mcap');
    const live = await runLive(device, seed, path, 2_000 + 377 * seed);
    expect(live.length).toBeGreaterThan(10);
    const { blocks, results } = await replayed(path);
    expect(results).toEqual([]);
    expect(blocks).toEqual(live);
  });
});

it('a recording that does not say what was asked gives nothing, and says why', async () => {
  const path = join(tempFolder(), 'a.mcap');
  const clock = new ManualClock();
  const settings = InstrumentSettings.parse({
    id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: DEVICES[0]!.driver, channels: [{ transducer: { serialNumber: 'HF-T-0001', capacity: 60 }, capture: { mode: 'peak' } }],
  });
  const recorder = await createRecorder(path, { station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const connection = recorder.connection(settings, 1);
  for (const text of ['Hollin & Fenn,HF-A2,0107,1.4\n', '0,"No error"\n', '1.5\n', '2.5\n']) connection.chunk({ data: Buffer.from(text), atMs: clock.monoMs() });
  await recorder.close();
  const { blocks, results } = await replayed(path);
  expect(blocks).toEqual([]);
  expect(results).toMatchObject([{ kind: 'fault', error: { code: 'INPUT_FORMAT' } }]);
});
