/** Transducers that describe themselves through their instrument: read at each connection, decoded, guarded, recorded, replayed. */
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { scenarioSettings, scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { createLog } from '../../daemon/log.ts';
import { createRecorder, type ConnectionRecorder } from '../../daemon/recording/recorder.ts';
import { noteMark } from '../../daemon/recording/recording-format.ts';
import { openReplayPipeline } from '../../daemon/recording/replay-pipeline.ts';
import { replayFile } from '../../daemon/recording/replay.ts';
import { ChannelSettings, Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import { findDriver } from '../../drivers/registry.ts';
import type { Reading } from '../../shared/reading.ts';
import { UNREAD_CAPACITY } from '../../shared/transducer.ts';
import { systemClock } from '../../shared/clock.ts';
import { loadScenario, startScenario } from '../../simulator/index.ts';
import { dataSheetImage, type DataSheet } from '../../simulator/instruments/data-sheet.ts';
import { ScpiFormat, ScpiInstrument } from '../../simulator/instruments/scpi-instrument.ts';
import { FrameFormat } from '../../simulator/instruments/frame-format.ts';
import { FrameInstrument } from '../../simulator/instruments/frame-instrument.ts';
import { LineInstrument } from '../../simulator/instruments/line-instrument.ts';
import { LineFormat } from '../../simulator/instruments/line-format.ts';
import { HeldStore } from '../helpers/held-store.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { memoryBenchPort } from '../helpers/memory-bench-port.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** N.m */
const PEAK = 33.25;
const SHEET: DataSheet = { manufacturer: 16_001, model: 60, serial: 82, capacity: 60, sensitivity: 1.5, zeroBalance: -0.004, calibratedDay: 10_100, periodDays: 365 };

interface Made {
  readonly clock: ManualClock;
  readonly station: Station;
  readonly readings: Reading[];
  readonly port: ReturnType<typeof memoryBenchPort>['port'];
  /** Another transducer; what is handed out follows. */
  change(to: DataSheet): void;
  pull(): void;
  pass(ms: number): Promise<void>;
  /** Serial numbers of the transducers, as the stored traces bear them. */
  serials(): string[];
  stop(): Promise<void>;
  instrument(): ReturnType<Station['instruments']>[number];
  channel(): ReturnType<Station['channels']>[number];
}

type Kind = 'streamed lines' | 'asked lines' | 'scpi' | 'frames of counts';
/** Of the converter, where counts are sent. */
const COUNTS_PER_MVV = 1_000_000;

function driverOf(kind: Kind, isAskedForSheet: boolean): object {
  if (kind === 'frames of counts') return { id: 'raw-counts', options: { sync: 'aa 55', bits: 32, checksum: 'CRC-16/XMODEM', commands: { start: '01', stop: '02', ...(isAskedForSheet ? { teds: { send: '3f 54' } } : {}) } } };
  const teds = isAskedForSheet ? { teds: { send: kind === 'scpi' ? 'DIAG:TEDS?' : 'DATASHEET' } } : {};
  switch (kind) {
    case 'streamed lines': return { id: 'ascii-lines', options: { commands: teds } };
    case 'asked lines': return { id: 'ascii-lines', options: { commands: teds, poll: { rateHz: 40, request: 'READ', timeoutMs: 200 } } };
    case 'scpi': return { id: 'scpi', options: { commands: teds, poll: { rateHz: 40, timeoutMs: 200 } } };
  }
}

/** A bridge amplifier that sends lines of mV/V, streamed or asked for, and hands out the data sheet of its transducer. */
async function made(options: { kind?: Kind; transducer?: object; image?: Uint8Array; recordTo?: string; isAskedForSheet?: boolean } = {}): Promise<Made> {
  const clock = new ManualClock(Date.UTC(2026, 10, 25));
  const { port, open } = memoryBenchPort();
  const kind = options.kind ?? 'streamed lines';
  let pulledMs: number | null = null;
  const image = (options.image ?? dataSheetImage(SHEET)).slice();
  let sheet = SHEET;
  const torque = (): number => {
    const s = pulledMs === null ? -1 : (clock.monoMs() - pulledMs) / 1_000;
    return PEAK * Math.max(0, Math.min(1, s / 0.2, (0.9 - s) / 0.2));
  };
  const parts = {
    port, clock, rateHz: 200,
    dataSheet: image,
    channels: [{
      source: { isSaturated: false, next: () => (torque() / sheet.capacity) * sheet.sensitivity + sheet.zeroBalance, zero: () => {} },
      shown: { factor: kind === 'frames of counts' ? COUNTS_PER_MVV : 1, offset: 0 },
    }],
  };
  const instrument = kind === 'frames of counts' ? new FrameInstrument({
    ...parts, pace: 'clock', startsByItself: false,
    format: FrameFormat.parse({ sync: 'aa 55', counter: null, type: 'i32', scale: 1, byteOrder: 'big', checksum: 'CRC-16/XMODEM', commands: { start: '01', stop: '02', dataSheet: '3f 54' } }),
  }) : kind === 'scpi' ? new ScpiInstrument({ ...parts, format: ScpiFormat.parse({}) }) : new LineInstrument({
    ...parts, pace: 'clock', startsByItself: kind === 'streamed lines', format: LineFormat.parse({ decimals: 7 }),
    commands: { start: null, stop: null, zero: null, identify: null, read: 'READ', dataSheet: 'DATASHEET', acknowledge: '', unknown: '', identity: '' },
  });
  instrument.switchOn();
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: [{
      id: 'press', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 },
      driver: driverOf(kind, options.isAskedForSheet ?? true),
      channels: [{
        signal: kind === 'frames of counts' ? { kind: 'counts', fullScaleCounts: COUNTS_PER_MVV, fullScale: 1 } : { kind: 'mV/V' }, zero: { kind: 'fixed' }, transducer: { serialNumber: 'not read yet', capacity: 60, teds: { from: 'device' }, ...options.transducer },
        capture: { mode: 'peak', limits: { kind: 'absolute', target: 33, low: 30, high: 36 } },
      }],
    }],
  });
  const recorder = options.recordTo === undefined ? null : await createRecorder(options.recordTo, { station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const connections = new Map<number, ConnectionRecorder>();
  const set = createInstrumentSet(settings.instruments, {
    clock, random: seeded(1), findDriver, openLink: () => open,
    ...(recorder ? {
      onChunk: (_, chunk, epoch) => {
        // As the gateway records: with the settings as they stand when the first bytes of a connection come.
        if (!connections.has(epoch)) connections.set(epoch, recorder.connection(set.get('press')!.settings, epoch));
        connections.get(epoch)!.chunk(chunk);
      },
      onNote: (_, note, epoch) => recorder.mark(noteMark('press', epoch, note)),
    } : {}),
  });
  const store = new HeldStore();
  const station = new Station({ settings, instruments: set, store, clock, log: createLog({ isTerminal: false, level: 'error', write: () => {} }), version: '0.0.0-test' });
  const readings: Reading[] = [];
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') readings.push(event.reading);
  });
  const pass = async (ms: number): Promise<void> => {
    for (let passed = 0; passed < ms; passed++) {
      clock.advance(1);
      await new Promise((resolve) => setImmediate(resolve));
    }
  };
  station.start();
  const stop = async (): Promise<void> => {
    const stopped = station.stop();
    await pass(3_000);
    await stopped;
    instrument.switchOff();
    await recorder?.close();
  };
  let stopping: Promise<void> | null = null;
  const one: Made = {
    stop: () => (stopping ??= stop()), serials: () => [...store.traces.values()].map((trace) => trace.evidence.transducer.serialNumber),
    clock, station, readings, port, pass,
    change: (to) => {
      sheet = to;
      image.set(dataSheetImage(to));
    },
    pull: () => { pulledMs = clock.monoMs(); },
    instrument: () => station.instruments()[0]!, channel: () => station.channels()[0]!,
  };
  onTestFinished(() => one.stop());
  return one;
}

describe.each(['streamed lines', 'asked lines', 'scpi', 'frames of counts'] as const)('an instrument of %s that hands out its transducer\'s data sheet', (kind) => {
  it('needs neither serial number nor bridge in the settings', async () => {
    const one = await made({ kind });
    expect(one.channel()).toMatchObject({ state: 'offline', transducer: { serialNumber: 'not read yet', capacity: 60, calibrationDue: null } });
    await one.pass(2_000);
    expect(one.instrument()).toMatchObject({ state: 'streaming', fault: null });
    // Day 10100 since 1998-01-01 is 2025-08-27; a year on it is due.
    expect(one.channel()).toMatchObject({ transducer: { serialNumber: '82', capacity: 60, calibrationDue: '2026-08-27', overdue: true } });
    one.pull();
    await one.pass(1_500);
    expect(one.readings.length).toBe(1);
    // 7 decimals of mV/V at 40 N.m per mV/V.
    expect(one.readings[0]!.value).toBeCloseTo(PEAK, 4);
    expect(one.serials()).toEqual(['82']);
    expect(one.readings[0]!.flags).toContain('calibration-overdue');
  });

  it('reads another transducer after the next connection', async () => {
    const one = await made({ kind });
    await one.pass(2_000);
    await one.port.unplug();
    one.change({ ...SHEET, serial: 83, sensitivity: 2.5, periodDays: 3_650 });
    await one.pass(200);
    await one.port.replug();
    await one.pass(4_000);
    expect(one.channel().transducer).toMatchObject({ serialNumber: '83', overdue: false });
    one.pull();
    await one.pass(1_500);
    expect(one.serials()).toEqual(['83']);
    expect(one.readings[0]!.value).toBeCloseTo(PEAK, 4);
    expect(one.readings[0]!.flags).not.toContain('calibration-overdue');
  });

  it('needs no capacity either, and a head of another one serves after the next connection, where the limits fit it', async () => {
    const one = await made({ kind, transducer: { capacity: UNREAD_CAPACITY } });
    await one.pass(2_000);
    expect(one.channel()).toMatchObject({ fault: null, transducer: { serialNumber: '82', capacity: 60 } });
    one.pull();
    await one.pass(1_500);
    expect(one.readings.map(({ value }) => Number(value.toFixed(2)))).toEqual([Number(PEAK.toFixed(2))]);
    for (const [capacity, fault] of [[100, null], [20, expect.objectContaining({ code: 'LIMITS_INVALID' }) as object]] as const) {
      await one.port.unplug();
      one.change({ ...SHEET, serial: 90 + capacity, capacity });
      await one.pass(200);
      await one.port.replug();
      await one.pass(4_000);
      expect(one.channel()).toMatchObject({ fault, transducer: { serialNumber: String(90 + capacity), capacity } });
    }
  });

  it('is recorded with it, and a replay gives the very reading', async () => {
    const path = join(tempFolder(), 'sheet.mcap');
    const one = await made({ kind, recordTo: path });
    await one.pass(2_000);
    one.pull();
    await one.pass(1_500);
    await one.stop();
    const readings: Reading[] = [];
    for await (const result of replayFile(path, {
      adapt: (recorded) => recorded, findDriver, openPipeline: (channel) => openReplayPipeline(channel, '0.0.0-test'),
      traceSettings: ChannelSettings.parse({ transducer: { serialNumber: 'none', capacity: 1 }, capture: { mode: 'peak' } }),
      asked: {}, blockSize: 256, pace: () => null, stop: new AbortController().signal,
    })) {
      if (result.kind === 'fault') throw result.error;
      if (result.kind === 'reading') readings.push(result.reading);
    }
    expect(readings.map(({ value, flags }) => ({ value, flags }))).toEqual(one.readings.map(({ value, flags }) => ({ value, flags })));
    expect(readings.length).toBe(1);
  });

  it.each([
    ['another serial number than the settings name', { transducer: { serialNumber: '81' } }, 'DEVICE_MISMATCH', /want the transducer "81", its data sheet says "82"/],
    ['another capacity', { transducer: { capacity: 100 } }, 'DEVICE_MISMATCH', /want a capacity of 100 N\.m, the data sheet says 60/],
    ['a wrong checksum', { image: dataSheetImage(SHEET).map((byte, i) => (i === 9 ? byte ^ 4 : byte)) }, 'TEDS_CHECKSUM', /checksum of page 1/],
    ['what is no data sheet', { image: new Uint8Array(128) }, 'TEDS_FORMAT', /no data sheet/],
  ])('gives no samples with %s', async (_what, options, code, message) => {
    const one = await made({ kind, ...options });
    await one.pass(3_000);
    expect(one.instrument().fault).toMatchObject({ code, message: expect.stringMatching(message) as string });
    expect(one.instrument().state).not.toBe('streaming');
    // The device is the right one: not its "identity" is to be changed.
    if (code === 'DEVICE_MISMATCH') expect(one.instrument().fault!.hint).toMatch(/^Connect the right transducer, or change its (serialNumber|capacity) in the settings/);
    one.pull();
    await one.pass(1_500);
    expect(one.readings).toEqual([]);
    if (code !== 'TEDS_CHECKSUM') expect(one.instrument().state).toBe('needs-attention');
  });
});

/** The basic part, then a template that is not decoded. */
function foreignImage(): Uint8Array {
  const memory = new Uint8Array(32);
  // 14 + 15 + 5 + 6 + 24 + 2 bits stand before the number of the template.
  memory.set(dataSheetImage(SHEET).subarray(1, 32), 1);
  const bits = (at: number, width: number, value: number): void => {
    for (let i = 0; i < width; i++) {
      const bit = at + i;
      const mask = 1 << (bit % 8);
      const byte = 1 + (bit >> 3);
      memory[byte] = ((value >> i) & 1) === 1 ? memory[byte]! | mask : memory[byte]! & ~mask;
    }
  };
  bits(66, 8, 35);
  memory[0] = (256 - (memory.reduce((sum, byte) => sum + byte, 0) % 256)) % 256;
  return memory;
}

describe('a template that is not decoded', () => {
  it('is told, and the instrument waits for a person, where the bridge must be known', async () => {
    const one = await made({ image: foreignImage() });
    await one.pass(3_000);
    expect(one.instrument()).toMatchObject({ state: 'needs-attention', fault: { code: 'TEDS_NOT_TORQUE', message: expect.stringMatching(/82 was not decoded.*35/) as string } });
  });

  it('is told while the instrument streams, where the bridge is given by hand', async () => {
    const one = await made({ image: foreignImage(), transducer: { bridge: { ratedTorque: 60, sensitivity: 1.5, zeroBalance: -0.004 } } });
    await one.pass(2_000);
    expect(one.instrument()).toMatchObject({ state: 'streaming', fault: { code: 'TEDS_NOT_TORQUE' } });
    expect(one.channel().transducer.serialNumber).toBe('82');
    one.pull();
    await one.pass(1_500);
    expect(one.readings[0]!.value).toBeCloseTo(PEAK, 4);
  });
});

describe('settings', () => {
  it('that want it from a device that is not asked are told at the first connection', async () => {
    const one = await made({ isAskedForSheet: false });
    await one.pass(3_000);
    expect(one.instrument()).toMatchObject({ state: 'needs-attention', fault: { code: 'SETTINGS_INVALID', message: expect.stringMatching(/the driver read none/) as string } });
  });

  it('of the bridge amplifier scenario name no bridge and no calibration for the transducer that describes itself', async () => {
    const run = await startScenario(loadScenario('bridge-amplifier'), { portPreference: 'tcp' });
    onTestFinished(() => run.stop());
    const [, signal] = scenarioSettingsInput(run).instruments as { driver: { options: object }; channels: { transducer: object }[] }[];
    expect(signal!.driver.options).toMatchObject({ commands: { teds: { send: 'DATASHEET' } } });
    expect(signal!.channels[0]!.transducer).toEqual({ teds: { from: 'device' }, serialNumber: '82', capacity: 60 });

    const settings = scenarioSettings(run);
    const set = createInstrumentSet(settings.instruments, { clock: systemClock, random: seeded(1), findDriver, openLink: (link) => linkOpener(link) });
    const station = new Station({ settings, instruments: set, store: new HeldStore(), clock: systemClock, log: createLog({ isTerminal: false, level: 'error', write: () => {} }), version: '0.0.0-test' });
    onTestFinished(() => station.stop());
    station.start();
    await waitUntil(() => station.instruments().every(({ state }) => state === 'streaming'), 'both amplifiers to stream');
    expect(station.channels().map(({ transducer }) => [transducer.serialNumber, transducer.calibrationDue])).toEqual([['HF-T100-0081', null], ['82', '2026-08-27']]);
  });
});
