/** Bytes that should never come: what is told, with which code, that nothing is made up, and that the next good pull is read right. */
import { describe, expect, it } from 'vitest';
import { seeded } from '../helpers/seeded.ts';
import { half, stationBench, type StationBench } from '../helpers/station-bench.ts';

const instrumentCounter = (bench: StationBench, what: string): number => bench.counter(`torsiond_instrument_${what}_total{instrument="bench-a"}`);
const missing = (bench: StationBench): number => bench.counter('torsiond_samples_missing_total{channel="bench-a/1"}');
const info = (bench: StationBench): { state: string; code: string | null } => {
  const { state, fault } = bench.station.instruments()[0]!;
  return { state, code: fault?.code ?? null };
};

/** After all that: one pull, read to the last digit, and no reading beside it. */
async function readsTheNextPull(bench: StationBench): Promise<void> {
  const before = bench.of('reading.stored').length;
  await bench.pull(27.5);
  expect(bench.of('reading.stored').slice(before).map(({ reading }) => [reading.value, reading.flags])).toEqual([[Math.max(...half(27.5, 200)), expect.any(Array)]]);
  await bench.stop();
}

/** 10 ms of line noise at 115 200 baud. */
function noise(random: () => number): Uint8Array {
  return Uint8Array.from({ length: 115 }, () => Math.floor(random() * 256));
}

describe('garbage for ever, as from a wrong baud rate', () => {
  it('is told as unreadable, gives no cycle and no reading, is tried again, and is over when good lines come', async () => {
    const bench = await stationBench();
    const random = seeded(7);
    for (let i = 0; i < 3_000; i++) {
      bench.clock.advance(10);
      if (bench.far().isOpen) bench.far().deliver(noise(random));
      if (i % 10 === 0) await bench.pass(0);
    }
    await bench.pass(10);
    const told = new Set(bench.of('instrument.state').map(({ instrument }) => `${instrument.state} ${instrument.fault?.code ?? ''}`));
    expect([...told].some((line) => /^stalled FRAME_(UNREADABLE|TOO_LONG)$/.test(line))).toBe(true);
    expect([...told].some((line) => /^waiting FRAME_(UNREADABLE|TOO_LONG)$/.test(line))).toBe(true);
    expect(bench.of('instrument.state').some(({ instrument }) => instrument.fault?.hint.includes('baud rate'))).toBe(true);
    expect(bench.of('reading.captured')).toEqual([]);
    expect(bench.of('cycle.started')).toEqual([]);
    expect(instrumentCounter(bench, 'frame_faults')).toBeGreaterThan(100);
    expect(bench.station.liveTorque('bench-a/1')).toBeNull();
    expect(bench.station.channels()[0]!.state).toBe('offline');

    for (let i = 0; i < 3_000 && info(bench).state !== 'streaming'; i++) await bench.pass(10);
    await bench.send('0.000\n');
    await bench.rest(300);
    expect(info(bench)).toEqual({ state: 'streaming', code: null });
    await readsTheNextPull(bench);
  });

  it('of five bytes in the middle of a pull ends the pull and nothing else', async () => {
    const bench = await stationBench();
    await bench.torque(half(40, 200).slice(0, 100));
    await bench.send('\xff\x00#\xb5\n');
    await bench.torque(half(40, 200).slice(100));
    await bench.rest(60);
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'bad-sample', direction: 'cw' }]);
    expect(bench.of('reading.captured')).toEqual([]);
    expect([instrumentCounter(bench, 'frame_faults'), missing(bench)]).toEqual([1, 1]);
    expect(info(bench)).toEqual({ state: 'streaming', code: null });
    await readsTheNextPull(bench);
  });
});

describe('ten megabytes without a delimiter', () => {
  it('are thrown away and told as too long, cut the pull they fall into, and are over with the next line', async () => {
    const bench = await stationBench();
    await bench.torque(half(40, 200).slice(0, 100));
    const part = '7'.repeat(50_000);
    for (let i = 0; i < 210; i++) {
      bench.clock.advance(10);
      bench.far().deliver(part);
    }
    await bench.pass(10);
    expect(info(bench)).toEqual({ state: 'stalled', code: 'FRAME_TOO_LONG' });
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'gap' }]);
    expect(instrumentCounter(bench, 'discarded_bytes')).toBeGreaterThan(10e6);
    expect(instrumentCounter(bench, 'frame_faults')).toBe(1);
    await bench.send('\n');
    await bench.rest(100);
    expect(info(bench)).toEqual({ state: 'streaming', code: null });
    expect(bench.of('reading.captured')).toEqual([]);
    expect(bench.blocks.every((block) => block.torque.every((torque) => torque <= 41))).toBe(true);
    await readsTheNextPull(bench);
  });
});

describe('lines that are no torque', () => {
  const faulty: [string, string, string][] = [
    ['NaN', 'nan\n', 'bad-sample'], ['infinity', 'inf\n', 'bad-sample'], ['minus infinity', '-Infinity\n', 'bad-sample'], ['beyond every double', '1e999\n', 'bad-sample'],
    ['an empty line', '\n', 'bad-sample'], ['two numbers', '12.5 13.5\n', 'bad-sample'], ['a letter in the number', '1O.5\n', 'bad-sample'],
    ['another quantity', '12.5 psi\n', 'bad-sample'], ['overload', 'OL\n', 'overload'],
  ];
  it.each(faulty)('%s in the middle of a pull: the pull is interrupted, never judged, never bridged', async (_, line, reason) => {
    const bench = await stationBench();
    const pull = half(40, 200);
    await bench.torque(pull.slice(0, 100));
    bench.clock.advance(1);
    await bench.send(line);
    await bench.torque(pull.slice(101));
    await bench.rest(60);
    expect(bench.of('cycle.interrupted').map((event) => event.reason)).toEqual([reason]);
    expect(bench.of('reading.captured')).toEqual([]);
    expect(missing(bench)).toBe(1);
    // The bad one takes its index: what follows is where it was in time.
    const gap = bench.blocks.find((block) => block.gap === (reason === 'overload' ? 'overload' : 'bad-sample'))!;
    const before = bench.blocks[bench.blocks.indexOf(gap) - 1]!;
    expect(gap.firstIndex - before.firstIndex - before.torque.length).toBe(1);
    await readsTheNextPull(bench);
  });

  it('one bad line at rest costs nothing', async () => {
    const bench = await stationBench();
    await bench.send('nan\n');
    await bench.rest(300);
    expect(bench.of('cycle.interrupted')).toEqual([]);
    await readsTheNextPull(bench);
  });

  it('overload without a value, for ever: shown as a fault of the instrument, no value is shown as live, and it passes', async () => {
    const bench = await stationBench();
    await bench.torque(half(59, 200).slice(0, 100));
    await bench.torque(new Array<number>(2_500).fill(0), () => 'OL\n');
    expect(info(bench)).toEqual({ state: 'streaming', code: 'VALUE_OVERLOAD' });
    expect(bench.station.liveTorque('bench-a/1')).toBeNull();
    expect(bench.station.channels()[0]!.state).toBe('offline');
    expect(bench.of('cycle.interrupted')).toHaveLength(1);
    const changes = bench.of('instrument.state').length;
    await bench.torque(new Array<number>(1_000).fill(0), () => 'OL\n');
    expect(bench.of('instrument.state')).toHaveLength(changes);
    await bench.rest(300);
    expect(info(bench)).toEqual({ state: 'streaming', code: null });
    expect(bench.of('cycle.interrupted')).toHaveLength(1);
    await readsTheNextPull(bench);
  });

  it('overload with a value is measured and flagged', async () => {
    const bench = await stationBench();
    await bench.torque(half(59, 200), (value) => (value > 58 ? `${value.toFixed(3)} OL\n` : `${value.toFixed(3)}\n`));
    await bench.rest(60);
    expect(bench.of('reading.stored')).toMatchObject([{ reading: { value: Math.max(...half(59, 200)) } }]);
    expect(bench.of('reading.stored')[0]!.reading.flags).toContain('overload');
    await bench.stop();
  });

  it('far beyond the capacity, alone, is no value and yet told twice', async () => {
    const bench = await stationBench();
    await bench.torque([...half(40, 200).slice(0, 100), 1e9, ...half(40, 200).slice(101)]);
    await bench.rest(60);
    expect(bench.of('reading.stored')).toMatchObject([{ reading: { value: expect.closeTo(40, 1) as number } }]);
    expect(bench.of('reading.stored')[0]!.reading.flags).toEqual(expect.arrayContaining(['over-capacity', 'spike']));
    await readsTheNextPull(bench);
  });

  it('a device that stops in the middle of a pull: stalled, the pull interrupted, and streaming again when it goes on', async () => {
    const bench = await stationBench();
    await bench.torque(half(40, 200).slice(0, 100));
    await bench.pass(2_100);
    expect(info(bench)).toEqual({ state: 'stalled', code: 'LINK_STALLED' });
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'gap' }]);
    expect(bench.station.liveTorque('bench-a/1')).toBeNull();
    await bench.rest(300);
    expect(info(bench)).toEqual({ state: 'streaming', code: null });
    await readsTheNextPull(bench);
  });
});
