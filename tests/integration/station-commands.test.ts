/** What people ask of a channel: arm, hold, zero, latch, configure; and what is refused, with its code. */
import { describe, expect, it } from 'vitest';
import { half, stationBench } from '../helpers/station-bench.ts';

const track = { capture: { mode: 'track', track: { averageMs: 50, stableMs: null } } };
const values = (bench: Awaited<ReturnType<typeof stationBench>>): number[] => bench.of('reading.stored').map(({ reading }) => Math.round(reading.value));
const state = (bench: Awaited<ReturnType<typeof stationBench>>): string => bench.station.channels()[0]!.state;

describe('hold and arm', () => {
  it('holds a reading for its time, and takes no other meanwhile', async () => {
    const bench = await stationBench({ capture: { mode: 'peak', holdMs: 500 } });
    await bench.pull(20);
    expect(state(bench)).toBe('held');
    await bench.pull(21);
    await bench.rest(500);
    expect(state(bench)).toBe('armed');
    await bench.pull(22);
    expect(values(bench)).toEqual([20, 22]);
    expect(bench.of('channel.state').map(({ channel }) => channel.state)).toContain('held');
    await bench.stop();
  });

  it('by hand: nothing is captured until somebody arms, nor in the pull during which it is done', async () => {
    const bench = await stationBench({ capture: { mode: 'peak', holdMs: null } });
    await bench.pull(20);
    await bench.pull(21);
    await bench.rest(5_000);
    expect(state(bench)).toBe('held');
    await bench.torque(half(30, 200).slice(0, 100));
    await bench.command({ type: 'arm' });
    expect(bench.of('channel.state').at(-1)!.channel.state).toBe('armed');
    await bench.torque(half(30, 200).slice(100));
    await bench.pull(22);
    expect(values(bench)).toEqual([20, 22]);
    await bench.stop();
  });

  it('hold stops capturing in the middle of a pull and tells it as stopped; arm begins again', async () => {
    const bench = await stationBench();
    await bench.torque(half(30, 200).slice(0, 100));
    await bench.command({ type: 'hold' });
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'stopped' }]);
    expect(bench.of('channel.state').at(-1)!.channel.state).toBe('held');
    await bench.torque(half(30, 200).slice(100));
    await bench.pull(21);
    await bench.command({ type: 'arm' });
    await bench.pull(22);
    expect(values(bench)).toEqual([22]);
    // Arming an armed channel changes nothing.
    await bench.command({ type: 'arm' });
    await bench.pull(23);
    expect(values(bench)).toEqual([22, 23]);
    await bench.stop();
  });
});

describe('configure', () => {
  it('takes effect at once and interrupts a running cycle, told with the settings it ran with', async () => {
    const bench = await stationBench();
    await bench.torque(half(30, 200).slice(0, 100));
    await bench.command({ type: 'configure', mode: 'first-peak', unit: 'cN.m' });
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'settings-changed', mode: 'peak', unit: 'N.m' }]);
    expect(bench.of('cycle.interrupted')[0]!.maximum).toBeCloseTo(30, 1);
    expect(bench.of('channel.state').at(-1)!.channel).toMatchObject({ settings: { mode: 'first-peak', unit: 'cN.m' }, transducer: { capacity: 6_000 } });
    // The rest of that pull is nobody's.
    await bench.torque(half(30, 200).slice(100));
    await bench.pull(25);
    expect(bench.of('reading.stored').map(({ reading }) => [reading.mode, reading.unit, Math.round(reading.value), reading.click])).toEqual([['first-peak', 'cN.m', 2_500, false]]);
    expect(bench.of('cycle.interrupted')).toHaveLength(1);
    await bench.stop();
  });

  it('of the unit alone keeps what is within the limits', async () => {
    for (const limits of [{ kind: 'absolute', target: 40, low: 38, high: 42 }, { kind: 'percent', target: 40, minus: 5, plus: 5 }]) {
      const bench = await stationBench({ capture: { mode: 'peak', limits } });
      await bench.pull(39);
      await bench.command({ type: 'configure', unit: 'cN.m' });
      await bench.pull(39);
      await bench.command({ type: 'configure', unit: 'N.m', limits: { kind: 'absolute', target: 20, low: 19, high: 21 } });
      await bench.pull(39);
      expect(bench.of('reading.stored').map(({ reading }) => [reading.unit, Math.round(reading.value), reading.target, reading.verdict])).toEqual([
        ['N.m', 39, 40, 'within'], ['cN.m', 3_900, 4_000, 'within'], ['N.m', 39, 20, 'high'],
      ]);
      await bench.stop();
    }
  });

  it('of the direction: pulls the other way are passed over', async () => {
    const bench = await stationBench({ capture: { mode: 'peak', direction: 'cw' } });
    await bench.pull(-20);
    await bench.pull(21);
    await bench.command({ type: 'configure', direction: 'ccw' });
    await bench.pull(22);
    await bench.pull(-23);
    await bench.command({ type: 'configure', direction: 'both' });
    await bench.pull(24);
    await bench.pull(-25);
    expect(values(bench)).toEqual([21, -23, 24, -25]);
    expect(bench.of('cycle.interrupted')).toEqual([]);
    await bench.stop();
  });

  it('refuses what the channel cannot do and leaves everything as it was', async () => {
    const bench = await stationBench();
    const before = bench.station.channels()[0]!.settings;
    await bench.torque(half(30, 200).slice(0, 100));
    const refused = [
      [{ type: 'configure', filter: { kind: 'butterworth', order: 2, cutoffHz: 600 } }, 'RATE_TOO_LOW'],
      [{ type: 'configure', filter: { kind: 'cfc', class: 1_000 } }, 'RATE_TOO_LOW'],
      [{ type: 'configure', limits: { kind: 'absolute', target: 61, low: 50, high: 70 } }, 'LIMITS_INVALID'],
      [{ type: 'configure', limits: { kind: 'absolute', target: 40, low: 41, high: 42 } }, 'CAPTURE_SETTINGS'],
    ] as const;
    for (const [command, code] of refused) await expect(bench.command(command)).rejects.toMatchObject({ code });
    expect(bench.station.channels()[0]!.settings).toEqual(before);
    // Not even the running cycle is touched.
    await bench.torque(half(30, 200).slice(100));
    await bench.rest(60);
    expect(values(bench)).toEqual([30]);
    await expect(bench.command({ type: 'arm' }, 'bench-x/1')).rejects.toMatchObject({ code: 'CHANNEL_UNKNOWN', message: expect.stringContaining('bench-a/1') as string });
    await bench.stop();
  });

  it('of a channel whose settings did not fit its rate begins to capture; before, nothing is captured and the channel says why', async () => {
    const bench = await stationBench({ sampleRateHz: 50, capture: { mode: 'first-peak' } }, { silenceMs: 5_000 });
    expect(bench.station.channels()[0]).toMatchObject({ fault: { code: 'RATE_TOO_LOW' } });
    expect(bench.logLines.some((line) => line.includes('RATE_TOO_LOW'))).toBe(true);
    await bench.pull(20);
    expect(bench.of('reading.captured')).toEqual([]);
    expect(bench.blocks.length).toBeGreaterThan(10);
    await bench.command({ type: 'configure', mode: 'peak' });
    expect(bench.station.channels()[0]).toMatchObject({ fault: null });
    await bench.pull(21);
    expect(values(bench)).toEqual([21]);
    await bench.stop();
  });
});

describe('zero', () => {
  it('on command takes the mean of a still stretch, and what follows counts from there', async () => {
    const bench = await stationBench({ zero: { kind: 'command' } });
    await bench.torque(new Array<number>(100).fill(0.5));
    const zeroed = bench.command({ type: 'zero' });
    const again = bench.command({ type: 'zero' });
    await bench.torque(new Array<number>(700).fill(0.5));
    expect(await zeroed).toEqual({ zero: 0.5, unit: 'N.m' });
    expect(await again).toEqual({ zero: 0.5, unit: 'N.m' });
    await bench.torque([...half(20, 200).map((value) => value + 0.5), ...new Array<number>(60).fill(0.5)]);
    expect(bench.of('reading.stored')[0]!.reading.value).toBeCloseTo(Math.max(...half(20, 200)), 9);
    await bench.stop();
  });

  it('that the loss of the device cut short is not taken from what is connected next', async () => {
    const bench = await stationBench({ zero: { kind: 'command' } });
    const cut = expect(bench.command({ type: 'zero' })).rejects.toMatchObject({ code: 'CHANNEL_NOT_READY' });
    await bench.rest(100);
    bench.far().unplug();
    await cut;
    expect(bench.of('channel.state').at(-1)!.channel.state).toBe('offline');
    await bench.pass(2_000);
    await bench.send('0.000\n');
    await bench.torque(new Array<number>(3_000).fill(5));
    expect(bench.station.liveTorque('bench-a/1')).toBeCloseTo(5, 9);
    await bench.stop();
  });

  it('of the device waits until every channel is unloaded, and then zeroes what the device left', async () => {
    const bench = await stationBench({ zero: { kind: 'command', device: true } }, {
      driver: { id: 'ascii-lines', options: { channels: [{ column: 1 }, { column: 2 }], separator: ';', commands: { zero: 'Z' } } },
      channels: [1, 2].map((n) => ({ sampleRateHz: 1_000, zero: { kind: 'command', device: true }, transducer: { serialNumber: `HF-T60-000${n} (invented)`, capacity: 60 }, capture: { mode: 'peak' } })),
    });
    const sent = (): string[] => bench.far().written.map((bytes) => Buffer.from(bytes).toString('latin1'));
    let offset = 2;
    let second = 0;
    // The device averages for a quarter of a second before it zeroes, and leaves a hundredth.
    bench.far().onWrite(() => bench.clock.after(250, () => (offset = 0.01)));
    const line = (value: number): string => `${(value + offset).toFixed(3)};${(second + offset).toFixed(3)}\n`;
    const flow = (ms: number): Promise<void> => bench.torque(new Array<number>(ms).fill(0), line);
    second = 25;
    await flow(500);
    const loaded = expect(bench.command({ type: 'zero' })).rejects.toMatchObject({ code: 'ZERO_REFUSED' });
    await flow(4_000);
    await loaded;
    expect(sent()).toEqual([]);
    second = 0;
    await flow(500);
    const zeroed = bench.command({ type: 'zero' });
    await flow(2_500);
    expect(((await zeroed) as { zero: number }).zero).toBeCloseTo(0.01, 9);
    expect(sent()).toEqual(['Z\r\n']);
    for (const channel of ['bench-a/1', 'bench-a/2']) expect(bench.station.liveTorque(channel)).toBeCloseTo(0, 9);
    await bench.stop();
  });

  it('of a device without a command for it says which setting is missing', async () => {
    const bench = await stationBench({ zero: { kind: 'command', device: true } });
    const said = expect(bench.command({ type: 'zero' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED', hint: expect.stringContaining('commands.zero') as string });
    await bench.rest(1_000);
    await said;
    await bench.stop();
  });

  it('is refused under moving torque, on a fixed zero, and when the samples end meanwhile', async () => {
    const bench = await stationBench({ zero: { kind: 'command' } });
    const moving = bench.command({ type: 'zero' });
    const said = expect(moving).rejects.toMatchObject({ code: 'ZERO_REFUSED' });
    for (let i = 0; i < 20; i++) await bench.torque(half(10, 200));
    await said;
    const waiting = bench.command({ type: 'zero' });
    const cut = expect(waiting).rejects.toMatchObject({ code: 'CHANNEL_NOT_READY' });
    await bench.rest(100);
    bench.far().unplug();
    await cut;
    await expect(bench.command({ type: 'zero' })).rejects.toMatchObject({ code: 'CHANNEL_NOT_READY' });
    await bench.stop();

    const fixed = await stationBench({ zero: { kind: 'fixed', offset: 0.25 } });
    await expect(fixed.command({ type: 'zero' })).rejects.toMatchObject({ code: 'ZERO_REFUSED', where: 'bench-a/1' });
    await fixed.pull(20);
    expect(fixed.of('reading.stored')[0]!.reading.value).toBeCloseTo(Math.max(...half(20, 200)) - 0.25, 9);
    await fixed.stop();
  });
});

describe('latch', () => {
  it('takes the track reading now: the mean over the averaging time', async () => {
    const bench = await stationBench(track);
    await bench.torque([...half(60, 200).slice(0, 60), ...Array.from({ length: 200 }, (_, i) => 35 + (i % 2 === 0 ? 0.1 : -0.1))]);
    await bench.command({ type: 'latch' });
    await bench.pass(0);
    expect(bench.of('reading.captured')).toHaveLength(1);
    expect(bench.of('reading.captured')[0]!.reading).toMatchObject({ mode: 'track', direction: 'cw' });
    expect(bench.of('reading.captured')[0]!.reading.value).toBeCloseTo(35, 9);
    await bench.stop();
  });

  it('twice at the same sample is one stored reading; with other settings it is another', async () => {
    const bench = await stationBench(track);
    await bench.torque(new Array<number>(200).fill(30));
    await bench.command({ type: 'latch' });
    await bench.command({ type: 'latch' });
    await bench.command({ type: 'configure', unit: 'cN.m' });
    await bench.command({ type: 'latch' });
    await bench.pass(10);
    expect(bench.of('reading.stored').map(({ seq, reading }) => [seq, reading.unit])).toEqual([[1, 'N.m'], [2, 'cN.m']]);
    expect(new Set(bench.store.kept.map(({ reading }) => reading.id)).size).toBe(2);
    expect(bench.counter('torsiond_readings_waiting')).toBe(0);
    await bench.stop();
  });

  it('of an unloaded channel is refused with what is needed, or taken as a zero check that is not judged', async () => {
    const bench = await stationBench({ capture: { ...track.capture, limits: { kind: 'absolute', target: 30, low: 28, high: 32 } } });
    await bench.torque(new Array<number>(200).fill(0.01));
    await expect(bench.command({ type: 'latch' })).rejects.toMatchObject({ code: 'TORQUE_TOO_LOW', message: 'a reading needs 1.5 N·m at least; the torque is 0.01 N·m' });
    await bench.command({ type: 'latch', zeroCheck: true });
    await bench.pass(10);
    expect(bench.of('reading.stored').map(({ reading }) => reading)).toMatchObject([{ value: expect.closeTo(0.01, 9) as number, zeroCheck: true, verdict: 'none', target: null, low: null, high: null }]);
    await bench.stop();
  });

  it('is refused outside track, without samples, and where the rate does not carry the settings', async () => {
    const peak = await stationBench();
    await expect(peak.command({ type: 'latch' })).rejects.toMatchObject({ code: 'MODE_MISMATCH' });
    await peak.stop();

    const bench = await stationBench(track);
    await bench.torque(new Array<number>(100).fill(30));
    bench.far().unplug();
    await bench.pass(10);
    await expect(bench.command({ type: 'latch' })).rejects.toMatchObject({ code: 'CHANNEL_NOT_READY' });
    await bench.stop();

    const filtered = await stationBench({ sampleRateHz: 50, capture: { ...track.capture, filter: { kind: 'butterworth', order: 2, cutoffHz: 40 } } });
    await filtered.torque(new Array<number>(100).fill(30));
    await expect(filtered.command({ type: 'latch' })).rejects.toMatchObject({ code: 'RATE_TOO_LOW' });
    expect(filtered.of('reading.captured')).toEqual([]);
    await filtered.stop();
  });
});

it('a scanned code is told to everybody', async () => {
  const bench = await stationBench();
  bench.station.scan('HF-4711 (invented)', 'client');
  expect(bench.of('scan.seen')).toMatchObject([{ code: 'HF-4711 (invented)', source: 'client' }]);
  await bench.stop();
});
