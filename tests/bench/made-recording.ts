/** A recording as the recorder makes it: instruments that stream for some time, in the chunks in which such bytes arrive. */
import { closeSync, openSync, writeSync } from 'node:fs';
import { createRecorder } from '../../daemon/recording/recorder.ts';
import { InstrumentSettings } from '../../daemon/settings/schema.ts';
import { FrameFormat, frameWriter } from '../../simulator/instruments/frame-format.ts';
import { LineFormat, lineWriter } from '../../simulator/instruments/line-format.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { CAPACITY, pullSignal } from './signal.ts';

/** The instruments of the simulator send so often, and adapters hand on so often or seldom: 1 to 16 ms. */
const EVERY_MS = 5;
const CUT_BYTES = 8;
const SYNC = 'a5 5a';
/** A device that streams already when the port is opened: the first line is never whole. */
const PARTIAL_LINE = '34\r\n';

export interface MadeInstrument {
  readonly settings: InstrumentSettings;
  readonly rateHz: number;
  /** Sent before the first sample. */
  readonly before: Uint8Array;
  readonly encode: (value: number, index: number) => Uint8Array;
}

const made = (id: string, rateHz: number, driver: object, encode: MadeInstrument['encode'], before = ''): MadeInstrument => ({
  rateHz, encode, before: Buffer.from(before),
  settings: InstrumentSettings.parse({
    id, link: { kind: 'serial', path: '/dev/ttyUSB0' }, driver,
    channels: [{ sampleRateHz: rateHz, transducer: { serialNumber: `HF-${id} (invented)`, capacity: CAPACITY }, zero: { kind: 'fixed' }, capture: { mode: 'peak' } }],
  }),
});

/** Lines of a number alone. */
export function numberLines(id: string, rateHz: number): MadeInstrument {
  const write = lineWriter(LineFormat.parse({ decimals: 3 }));
  return made(id, rateHz, { id: 'ascii-lines' }, (value, index) => Buffer.from(write(Float64Array.of(value), { isOverloaded: false, counter: index, millis: 0 })), PARTIAL_LINE);
}

/** Lines of number, unit and status word. */
export function wordyLines(id: string, rateHz: number): MadeInstrument {
  const write = lineWriter(LineFormat.parse({ columns: ['channel-1', 'unit', 'status'], separator: ' ', decimals: 3 }));
  const options = { separator: ' ', channels: [{ column: 1, unitColumn: 2, statusColumn: 3 }], status: { overload: ['OVER'], good: ['OK'] } };
  return made(id, rateHz, { id: 'ascii-lines', options }, (value, index) => Buffer.from(write(Float64Array.of(value), { isOverloaded: false, counter: index, millis: 0 })), PARTIAL_LINE);
}

/** Frames of eight bytes with sync bytes, counter and CRC. */
export function frames(id: string, rateHz: number): MadeInstrument {
  const write = frameWriter(FrameFormat.parse({ sync: SYNC, counter: 'u8', type: 'i24', scale: 0.0001, checksum: 'CRC-16/MODBUS' }), 1);
  const options = {
    framing: { kind: 'sync', bytes: SYNC, length: 8 }, byteOrder: 'little', counter: { at: 2, type: 'u8' },
    channels: [{ at: 3, type: 'i24', scale: 0.0001, overloadBelow: -(2 ** 23), overloadAbove: 2 ** 23 - 1 }], checksum: { name: 'CRC-16/MODBUS' },
  };
  return made(id, rateHz, { id: 'framed-binary', options }, (value, index) => write(Float64Array.of(value), { counter: index & 0xff, isOverloaded: false, channel: 0 }));
}

/** @returns samples in it; the file is written over */
export async function makeRecording(path: string, seconds: number, instruments: readonly MadeInstrument[]): Promise<number> {
  const clock = new ManualClock();
  const file = openSync(path, 'w');
  const recorder = await createRecorder({
    write: async (bytes) => void writeSync(file, bytes), end: async () => closeSync(file), abandon: () => closeSync(file),
  }, { station: 'bench', software: 'bench', clock });
  const startMs = clock.monoMs();
  const streams = instruments.map((instrument, i) => ({
    ...instrument, torque: pullSignal(instrument.rateHz, seconds, 11 + i), connection: recorder.connection(instrument.settings, 1), sent: 0, kept: instrument.before,
  }));
  const steps = Math.floor((seconds * 1_000) / EVERY_MS);
  for (let step = 1; step <= steps; step++) {
    clock.advance(EVERY_MS);
    for (const stream of streams) {
      const due = Math.floor((step * EVERY_MS * stream.rateHz) / 1_000);
      const parts = [stream.kept];
      for (; stream.sent < due; stream.sent++) parts.push(stream.encode(stream.torque[stream.sent]!, stream.sent));
      // The scheduler is late by this and that.
      const lateMs = ((step * 7_919) % 1_000) / 2_000;
      const bytes = Buffer.concat(parts);
      // Most chunks end in the midst of a line or frame.
      const end = step === steps ? bytes.length : bytes.length - ((step * 7_919) % CUT_BYTES);
      stream.kept = bytes.subarray(end);
      stream.connection.chunk({ data: bytes.subarray(0, end), atMs: startMs + step * EVERY_MS + lateMs });
    }
    // The recorder writes what came as it came.
    await new Promise((resolve) => setImmediate(resolve));
  }
  await recorder.close();
  return streams.reduce((sum, { sent }) => sum + sent, 0);
}
