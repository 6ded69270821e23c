/**
 * A live run and the replay of its recording give the same readings: simulated instruments behind pseudo terminals, the real
 * serial link, instruments, station and store; recorded while they run; replayed by the real command.
 */
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { scenarioSettings } from '../../daemon/commands/scenario-settings.ts';
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { createLog } from '../../daemon/log.ts';
import { createFileSink } from '../../daemon/recording/byte-sink.ts';
import { RecordingHub, type RunningRecording } from '../../daemon/recording/recording-hub.ts';
import type { Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import { openStore } from '../../daemon/storage/open-store.ts';
import type { LoadedNote } from '../../daemon/recording/replay-types.ts';
import { findDriver } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import type { DismissedCycle, InterruptedCycle, Reading } from '../../shared/reading.ts';
import { startScenario, type RunningScenario } from '../../simulator/index.ts';
import { parseScenario } from '../../simulator/scenarios/load.ts';
import { torsiond } from '../helpers/run-torsiond.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const SCENARIO = `
title: Two places of Hollin & Fenn (invented)
seed: 41
instruments:
  - id: wrench
    title: Click wrench place
    sampleRateHz: 1000
    format: { columns: [channel-1, unit, status], separator: ' ', decimals: 3, unitText: Nm }
    faults: { seed: 5, chunks: { splitShare: 0.4, mergeShare: 0.2 }, garbage: { share: 0.0001, maxBytes: 12 } }
    channels:
      - title: Crank bolt wrench, 50 N·m
        transducer: { serialNumber: HF-T60-0017, capacityNm: 60, bits: 18, noisePercent: 0.03, offsetPercent: 0.05, driftPercentPerHour: 20 }
        tool: { kind: click-wrench, setNm: 50, scatterPercent: 1.1 }
        firstPullS: 1
        pauseS: [0.6, 0.9]
        suggested: { mode: first-peak, target: 50, low: 48, high: 52 }
  - id: dial
    title: Dial wrench place
    sampleRateHz: 200
    format: { columns: [channel-1, unit, status], separator: ' ', decimals: 2, unitText: Nm }
    channels:
      - title: Lock ring dial wrench, 40 N·m
        transducer: { serialNumber: HF-T60-0018, capacityNm: 60, bits: 16, noisePercent: 0.03, offsetPercent: 0.1 }
        tool: { kind: dial-wrench, targetNm: 40, scatterPercent: 1, holdS: [1.6, 1.9], correctionPercent: 0.15 }
        operator: { riseS: [0.8, 1], tremorPercent: [0.03, 0.1] }
        firstPullS: 1.5
        pauseS: [0.6, 0.9]
        suggested: { mode: track, target: 40, low: 38.4, high: 41.6 }
`;

/** Places in the store and ids that name the source differ by their nature: a replay stores nothing and reads a file. */
type Told = Omit<Reading, 'id' | 'seq' | 'source' | 'traceId'> | Omit<InterruptedCycle, 'source'> | Omit<DismissedCycle, 'source'>;

interface LiveRun {
  readonly station: Station;
  readonly scenario: RunningScenario;
  readonly path: (instrument: string) => string;
  record(instrument: string, name?: string): Promise<RunningRecording>;
  told(instrument: string): Told[];
  readings(instrument: string): number;
  stop(): Promise<void>;
}

async function liveRun(change: (settings: Settings) => Settings = (settings) => settings): Promise<LiveRun> {
  const folder = tempFolder();
  const scenario = await startScenario(parseScenario(SCENARIO, 'test.yaml'), { portPreference: 'pty' });
  onTestFinished(() => scenario.stop());
  const settings = change(scenarioSettings(scenario));
  const store = await openStore(join(folder, 'data'));
  const recordings = new RecordingHub({ station: settings.station, software: 'torsiond test', clock: systemClock });
  const instruments = createInstrumentSet(settings.instruments, {
    clock: systemClock, random: seeded(1), openLink: (link) => linkOpener(link), findDriver,
    isTapped: (instrument) => recordings.isTapped(instrument),
    onChunk: (instrument, chunk, epoch) => recordings.chunk(instrument.id, chunk, epoch),
  });
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const station = new Station({ settings, instruments, store, clock: systemClock, log, version: '0.0.0-test', recordings });
  const told = new Map<string, Told[]>();
  const add = (channel: string, what: Told): void => {
    const id = channel.split('/')[0]!;
    told.set(id, [...(told.get(id) ?? []), what]);
  };
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') add(event.reading.channel, comparable(event.reading));
    if (event.type === 'cycle.interrupted' || event.type === 'cycle.dismissed') {
      const { at: _at, ...cycle } = event;
      add(cycle.channel, comparable(cycle));
    }
  });
  let stopping: Promise<void> | null = null;
  const stop = async (): Promise<void> => {
    await station.stop();
    await store.close();
  };
  const run: LiveRun = {
    station, scenario,
    path: (instrument) => join(folder, `${instrument}.mcap`),
    record: async (instrument, name = instrument) => station.record(instrument, await createFileSink(run.path(name), systemClock)),
    told: (instrument) => told.get(instrument) ?? [],
    readings: (instrument) => run.told(instrument).filter((one) => one.type === 'reading').length,
    stop: () => (stopping ??= stop()),
  };
  onTestFinished(() => run.stop());
  return run;
}

function comparable(result: Reading | InterruptedCycle | DismissedCycle): Told {
  if (result.type !== 'reading') {
    const { source: _source, ...rest } = result;
    return rest;
  }
  const { id: _id, seq: _seq, source: _source, traceId: _traceId, ...rest } = result;
  return rest;
}

async function replayed(args: readonly string[]): Promise<Told[]> {
  const { exitCode, stdout, stderr } = await torsiond('replay', ...args, '--json');
  expect({ exitCode, stderr }).toEqual({ exitCode: 0, stderr: '' });
  // That a channel is loaded is a state in the live run, and here a note.
  return stdout.split('\n').filter((line) => line !== '').map((line) => JSON.parse(line) as Reading | InterruptedCycle | DismissedCycle | LoadedNote)
    .flatMap((object) => (object.type === 'channel.loaded' ? [] : [comparable(object)]));
}

const underLoad = (run: LiveRun, channel: string, above: number) => (): boolean => (run.station.liveTorque(channel) ?? 0) > above;
const atRest = (run: LiveRun, channel: string) => (): boolean => Math.abs(run.station.liveTorque(channel) ?? 99) < 0.3;

describe('a replay of a recording', () => {
  it('gives what the live run announced, in every field, over losses, commands, changed settings and a stop under torque', async () => {
    const run = await liveRun();
    await run.record('wrench');
    await run.record('dial');
    run.station.start();
    await waitUntil(() => run.readings('wrench') >= 2, 'two pulls of the wrench');

    // Unplugged in the middle of a pull, and back: a new connection.
    await waitUntil(underLoad(run, 'wrench/1', 20), 'another pull');
    await run.scenario.unplug('wrench');
    await waitUntil(() => run.told('wrench').some((one) => one.type === 'cycle.interrupted' && one.reason === 'gap'), 'the interruption');
    await run.scenario.replug('wrench');
    // Meanwhile at the other place: a reading taken by hand, one that stands still, a pause.
    await waitUntil(underLoad(run, 'dial/1', 10), 'a pull of the dial wrench');
    await run.station.command({ type: 'latch', id: '1', channel: 'dial/1' });
    await waitUntil(() => run.readings('dial') >= 2, 'a reading of the dial wrench that stands still');
    await waitUntil(atRest(run, 'dial/1'), 'rest');
    await run.station.command({ type: 'zero', id: '2', channel: 'dial/1' }).catch(() => {}); // a pull may come in between
    await run.station.command({ type: 'hold', id: '3', channel: 'dial/1' });

    const before = run.readings('wrench');
    await waitUntil(() => run.readings('wrench') > before, 'a pull after the loss');
    await run.station.command({ type: 'configure', id: '4', channel: 'wrench/1', mode: 'peak', unit: 'cN.m', limits: { kind: 'percent', target: 5_500, minus: 10, plus: 10 }, holdMs: 300 });
    await waitUntil(() => run.told('wrench').some((one) => one.type === 'reading' && one.mode === 'peak'), 'a pull with other settings');
    await run.station.command({ type: 'arm', id: '5', channel: 'dial/1' });
    await waitUntil(underLoad(run, 'wrench/1', 20), 'a pull to stop in');
    await run.stop();

    const live = [...run.told('wrench'), ...run.told('dial')];
    const reasons = live.map((one) => (one.type === 'cycle.interrupted' ? one.reason : one.mode));
    expect(reasons).toEqual(expect.arrayContaining(['first-peak', 'peak', 'track', 'gap', 'stopped']));
    expect(new Set(run.told('wrench').map((one) => one.epoch))).toEqual(new Set([1, 2]));
    const files = [run.path('wrench'), run.path('dial')];
    expect(await replayed(files)).toEqual(live);
    expect(await replayed([...files, '--speed', '20'])).toEqual(live);
  });

  it('that began in the midst of a connection goes on with zero, time and settings of that moment, bit for bit', async () => {
    const run = await liveRun();
    run.station.start();
    await waitUntil(atRest(run, 'wrench/1'), 'the wrench at rest');
    await run.station.command({ type: 'configure', id: '2', channel: 'wrench/1', mode: 'peak' });
    await waitUntil(() => run.readings('wrench') >= 1, 'a pull');
    const joined: { name: string; before: number; recording: RunningRecording }[] = [];
    const join_ = async (name: string): Promise<void> => {
      joined.push({ name, before: run.told('wrench').length, recording: await run.record('wrench', name) });
    };
    await waitUntil(atRest(run, 'wrench/1'), 'rest');
    await join_('at-rest');
    await waitUntil(underLoad(run, 'wrench/1', 20), 'a pull to join in');
    await join_('in-a-pull');
    const before = run.readings('wrench');
    await waitUntil(() => run.readings('wrench') >= before + 3, 'three more pulls');
    await waitUntil(atRest(run, 'wrench/1'), 'rest');
    for (const { recording } of joined) {
      await recording.stop();
      expect(await recording.ended).toBeNull();
    }
    await run.stop();

    const again = await Promise.all(joined.map(({ name }) => replayed([run.path(name)])));
    const readings = (list: readonly Told[]): Told[] => list.filter((one) => one.type === 'reading');
    const live = joined.map((one) => readings(run.told('wrench').slice(one.before)));
    expect(readings(again[0]!).length).toBeGreaterThanOrEqual(3);
    expect(readings(again[0]!)).toEqual(live[0]!.slice(0, readings(again[0]!).length));
    // The pull that ran when the recording began is not judged.
    expect(again[1]![0]).toMatchObject({ type: 'cycle.interrupted', reason: 'already-loaded' });
    expect(readings(again[1]!)).toEqual(live[1]!.slice(1, 1 + readings(again[1]!).length));
    expect(readings(again[1]!).length).toBeGreaterThanOrEqual(2);
  });
});
