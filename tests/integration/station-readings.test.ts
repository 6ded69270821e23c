/** From a device's lines to stored readings, through the whole station, on a clock that stands still. */
import { describe, expect, it } from 'vitest';
import { TorsiondError } from '../../shared/errors.ts';
import { half, stationBench } from '../helpers/station-bench.ts';

const full = (): TorsiondError => new TorsiondError('STORE_FULL', 'the disk is full');

describe('a pull', () => {
  it('is told as it goes: cycle, captured, stored, each once and in this order, with its trace kept', async () => {
    const bench = await stationBench({ capture: { mode: 'peak', limits: { kind: 'absolute', target: 40, low: 38, high: 42 } } });
    await bench.pull(41.5);
    const told = bench.events.filter(({ type }) => ['cycle.started', 'reading.captured', 'reading.stored', 'cycle.interrupted'].includes(type));
    expect(told.map(({ type }) => type)).toEqual(['cycle.started', 'reading.captured', 'reading.stored']);
    const [stored] = bench.of('reading.stored');
    const highest = Math.max(...half(41.5, 200));
    expect(stored).toMatchObject({ seq: 1, reading: { seq: 1, value: highest, maximum: highest, verdict: 'within', target: 40, channel: 'bench-a/1', epoch: 1, source: null } });
    expect(bench.of('reading.captured')[0]!.reading).toEqual({ ...stored!.reading, seq: null });
    const trace = bench.store.traces.get(stored!.reading.id)!;
    expect(Math.max(...trace.device)).toBe(highest);
    expect(trace.id).toBe(stored!.reading.traceId);
    await bench.stop();
  });

  it('is stored in order without a hole while the store answers late and out of order', async () => {
    const bench = await stationBench();
    bench.store.isAnsweringAtOnce = false;
    for (let i = 1; i <= 6; i++) await bench.pull(20 + i);
    expect(bench.of('reading.captured')).toHaveLength(6);
    expect(bench.of('reading.stored')).toEqual([]);
    bench.store.answer([3, 5, 0, 2, 4, 1]);
    await bench.pass(10);
    expect(bench.of('reading.stored').map(({ seq, reading }) => [seq, Math.round(reading.value)])).toEqual([1, 2, 3, 4, 5, 6].map((n) => [n, 20 + n]));
    await bench.stop();
  });

  it('is kept while the store is full: told once, live values go on, all stored after room was made, without a restart', async () => {
    const bench = await stationBench();
    await bench.pull(30);
    bench.store.refuse(full());
    await bench.pass(10);
    expect(bench.of('store.state').at(-1)).toMatchObject({ state: 'full', detail: 'the disk is full' });
    const blocks = bench.blocks.length;
    for (let i = 1; i <= 5; i++) await bench.pull(30 + i);
    expect(bench.of('reading.not-stored').map(({ reading }) => Math.round(reading.value))).toEqual([31, 32, 33, 34, 35]);
    expect(bench.of('reading.not-stored')[0]!.fault).toMatchObject({ code: 'STORE_FULL' });
    expect(bench.blocks.length).toBeGreaterThan(blocks + 100);
    await bench.torque(half(20, 200).slice(0, 100));
    expect(bench.station.liveTorque('bench-a/1')).toBeGreaterThan(15);
    await bench.torque(half(20, 200).slice(100));
    await bench.rest(60);
    expect(bench.counter('torsiond_readings_waiting')).toBe(6);
    expect(bench.of('reading.stored')).toHaveLength(1);

    bench.store.refuse(null);
    await bench.pull(40);
    expect(bench.of('store.state').at(-1)).toMatchObject({ state: 'ready' });
    expect(bench.of('reading.stored').map(({ seq, reading }) => [seq, Math.round(reading.value)])).toEqual([[1, 30], [2, 31], [3, 32], [4, 33], [5, 34], [6, 35], [7, 20], [8, 40]]);
    expect(bench.of('reading.not-stored')).toHaveLength(6);
    expect([bench.counter('torsiond_readings_waiting'), bench.counter('torsiond_readings_lost_total')]).toEqual([0, 0]);
    await bench.stop();
  });

  it('that is cut by the loss of the device is told as interrupted and gives no reading; the next one does', async () => {
    const bench = await stationBench();
    await bench.torque(half(40, 200).slice(0, 120));
    expect(bench.station.channels()[0]).toMatchObject({ state: 'cycle' });
    bench.far().unplug();
    await bench.pass(10);
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'gap', epoch: 1, direction: 'cw', unit: 'N.m', mode: 'peak' }]);
    expect(bench.station.channels()[0]).toMatchObject({ state: 'offline', sampleRateHz: 1_000 });
    expect(bench.station.liveTorque('bench-a/1')).toBeNull();
    await bench.pass(2_000);
    await bench.send('0.000\n');
    // The operator still pulls: what is left of it is not judged either.
    await bench.torque(half(40, 200).slice(100));
    expect(bench.of('channel.state').at(-1)!.channel).toMatchObject({ state: 'armed', sampleRateHz: 1_000 });
    await bench.pull(33);
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'gap' }, { reason: 'already-loaded', epoch: 2 }]);
    expect(bench.of('reading.stored').map(({ reading }) => [Math.round(reading.value), reading.epoch])).toEqual([[33, 2]]);
    await bench.stop();
  });

  it('may come again once the device is back, and the channel says so by itself', async () => {
    const bench = await stationBench();
    bench.far().unplug();
    await bench.pass(2_000);
    expect(bench.of('channel.state').at(-1)!.channel.state).toBe('offline');
    await bench.send('0.000\n');
    await bench.rest(20);
    expect(bench.of('channel.state').at(-1)!.channel).toMatchObject({ state: 'armed', sampleRateHz: 1_000 });
    await bench.stop();
  });

  it('under way when the daemon stops is interrupted; what was captured is stored first', async () => {
    const bench = await stationBench();
    bench.store.isAnsweringAtOnce = false;
    await bench.pull(25);
    await bench.torque(half(40, 200).slice(0, 100));
    const stopping = bench.stop();
    bench.store.answer();
    await stopping;
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'stopped' }]);
    expect(bench.of('reading.stored')).toHaveLength(1);
    expect(bench.station.instruments()[0]).toMatchObject({ state: 'stopped' });
    expect(bench.clock.pendingTimers).toBe(0);
  });

  it('carries the wall time of when it was, also after the wall clock was set', async () => {
    const bench = await stationBench();
    await bench.pull(20);
    bench.clock.jumpWall(3_600_000);
    // Noticed within a second; the pre-roll of the next pull lies after that.
    await bench.rest(1_400);
    await bench.pull(20);
    const [first, second] = bench.of('reading.stored').map(({ reading }) => Date.parse(reading.startedAt));
    expect(second! - first!).toBeGreaterThan(3_600_000);
    expect(Math.abs(second! - (bench.clock.wallMs() - 260))).toBeLessThan(30);
    expect(bench.counter('torsiond_wall_clock_jumps_total')).toBe(1);
    await bench.stop();
  });
});

describe('flags and verdicts', () => {
  it('say that the transducer is overdue, from the day after the due day on, on the channel and on each reading', async () => {
    const transducer = (due: string): Record<string, unknown> => ({ transducer: { serialNumber: 'HF-T60-0001 (invented)', capacity: 60, calibration: { due } } });
    // The bench's wall clock stands on 2026-11-25.
    for (const [due, isOverdue] of [['2026-11-24', true], ['2026-11-25', false]] as const) {
      const bench = await stationBench(transducer(due));
      expect(bench.station.channels()[0]!.transducer).toMatchObject({ calibrationDue: due, overdue: isOverdue });
      await bench.pull(20);
      expect(bench.of('reading.stored')[0]!.reading.flags.includes('calibration-overdue')).toBe(isOverdue);
      await bench.stop();
    }
  });

  it('compare the magnitude in the direction of the cycle with the limits, the limits themselves within', async () => {
    const bench = await stationBench({ capture: { mode: 'peak', limits: { kind: 'percent', target: 20, minus: 5, plus: 10 } } });
    const plateau = async (torque: number): Promise<void> => {
      await bench.rest(60);
      await bench.torque(new Array<number>(100).fill(torque));
      await bench.rest(60);
    };
    for (const torque of [18.999, 19, 22, 22.001, -19.5, -25]) await plateau(torque);
    expect(bench.of('reading.stored').map(({ reading }) => [reading.value, reading.direction, reading.verdict])).toEqual([
      [18.999, 'cw', 'low'], [19, 'cw', 'within'], [22, 'cw', 'within'], [22.001, 'cw', 'high'], [-19.5, 'ccw', 'within'], [-25, 'ccw', 'high'],
    ]);
    await bench.stop();
  });

  it('say over-capacity when the torque went beyond it', async () => {
    const bench = await stationBench();
    await bench.pull(59);
    await bench.pull(75);
    expect(bench.of('reading.stored').map(({ reading }) => reading.flags.includes('over-capacity'))).toEqual([false, true]);
    await bench.stop();
  });
});
