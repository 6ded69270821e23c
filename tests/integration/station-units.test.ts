/** One unit per channel, through the running station: what another unit of the device does, and in which unit settings count. */
import { describe, expect, it } from 'vitest';
import { half, stationBench } from '../helpers/station-bench.ts';

const FT_LB = '[lbf_av].[ft_i]';
const FT_LB_NM = 1.3558179483314003;
type Bench = Awaited<ReturnType<typeof stationBench>>;

const says = (unit: string) => (value: number): string => `${value.toFixed(3)} ${unit}\n`;
const instrument = (bench: Bench): ReturnType<Bench['station']['instruments']>[number] => bench.station.instruments()[0]!;
/** Half a wave, with the unit in each line. */
async function pull(bench: Bench, peak: number, unit: string): Promise<void> {
  for (const part of [new Array<number>(60).fill(0), half(peak, 200), new Array<number>(60).fill(0)]) await bench.torque(part, says(unit));
}

describe('a device that names another unit than the channel has', () => {
  it('is refused at the first such line: a correct 50 ft-lb never becomes 67.79 N·m that is high', async () => {
    const bench = await stationBench({ capture: { mode: 'peak', limits: { kind: 'percent', target: 50, minus: 4, plus: 4 } } });
    const before = bench.blocks.length;
    await pull(bench, 50, 'ft-lb');
    expect(instrument(bench)).toMatchObject({ state: 'needs-attention', fault: { code: 'UNIT_REFUSED', message: expect.stringContaining(FT_LB) as string } });
    expect(bench.of('reading.captured')).toEqual([]);
    expect(bench.blocks.length).toBe(before);
    await bench.stop();
  });

  it('also in the midst of a pull, when somebody presses the key for the unit: what ran is interrupted', async () => {
    const bench = await stationBench();
    const wave = half(40, 400);
    await bench.torque(wave.slice(0, 200), says('Nm'));
    await bench.torque(wave.slice(200).map((value) => value / FT_LB_NM), says('ft-lb'));
    await bench.rest(100);
    expect(bench.of('cycle.interrupted')).toMatchObject([{ reason: 'gap', maximum: expect.closeTo(40, 1) as number }]);
    expect(bench.of('reading.captured')).toEqual([]);
    expect(instrument(bench)).toMatchObject({ state: 'needs-attention', fault: { code: 'UNIT_REFUSED' } });
    expect(bench.of('channel.state').at(-1)!.channel.state).toBe('offline');
    await bench.stop();
  });

  it('is looked at again after half a minute, and serves once the key was pressed again', async () => {
    const bench = await stationBench();
    await bench.torque([0], says('ft-lb'));
    expect(instrument(bench).state).toBe('needs-attention');
    await bench.pass(31_000);
    await bench.send('0.000 Nm\n');
    for (let i = 0; i < 5; i++) await bench.torque(new Array<number>(100).fill(0), says('Nm'));
    expect(instrument(bench)).toMatchObject({ state: 'streaming', fault: null });
    await pull(bench, 20, 'Nm');
    expect(bench.of('reading.stored').map(({ reading }) => [Math.round(reading.value), reading.unit])).toEqual([[20, 'N.m']]);
    await bench.stop();
  });

  it('is converted when deviceUnit says so, and another unit than that one is refused', async () => {
    const bench = await stationBench({ deviceUnit: FT_LB, capture: { mode: 'peak', limits: { kind: 'percent', target: 50, minus: 4, plus: 4 } } });
    await pull(bench, 50 / FT_LB_NM, 'ft-lb');
    await bench.pull(50 / FT_LB_NM);
    expect(bench.of('reading.stored').map(({ reading }) => [reading.value.toFixed(1), reading.unit, reading.verdict])).toEqual([['50.0', 'N.m', 'within'], ['50.0', 'N.m', 'within']]);
    await pull(bench, 50, 'Nm');
    expect(instrument(bench).fault).toMatchObject({ code: 'UNIT_REFUSED', message: `the device names the unit N.m, but deviceUnit is ${FT_LB}; nothing of it is used` });
    await bench.stop();
  });
});

describe('what is in the unit of the channel', () => {
  it('thresholds, zero and limits: in ft-lb as they would be in N·m', async () => {
    const setting = (factor: number): object => ({
      zero: { kind: 'fixed', offset: 2 / factor }, transducer: { serialNumber: 'HF-T-0060 (invented)', capacity: 60 / factor, lowestTorque: 6 / factor },
      capture: { mode: 'peak', detector: { armTorque: 10 / factor, releaseTorque: 5 / factor }, limits: { kind: 'absolute', target: 20 / factor, low: 19 / factor, high: 21 / factor } },
    });
    const found: unknown[] = [];
    for (const [unit, factor] of [['N.m', 1], [FT_LB, FT_LB_NM]] as const) {
      const bench = await stationBench({ ...setting(factor), unit, deviceUnit: 'N.m' });
      // Below the arming threshold, which is 10 N·m above the offset of 2 N·m.
      await bench.torque(half(11.5, 200).map((value) => value));
      await bench.rest(100);
      await bench.torque(half(22, 200));
      await bench.rest(100);
      const readings = bench.of('reading.stored').map(({ reading }) => reading);
      found.push(readings.map((reading) => [reading.unit === unit, (reading.value * factor).toFixed(9), reading.verdict, reading.flags, reading.durationMs]));
      await bench.stop();
    }
    expect(found[0]).toEqual([[true, expect.stringMatching(/^19\.99|^20\.00/), 'within', ['time-estimated'], expect.any(Number)]]);
    expect(found[1]).toEqual(found[0]);
  });

  it('calibration tables and polynomials', async () => {
    const values: string[][] = [];
    for (const [unit, factor] of [['N.m', 1], [FT_LB, FT_LB_NM]] as const) {
      values.push([]);
      for (const curve of [
        { kind: 'points', points: [[-60, -60], [0, 0], [20, 21], [60, 63]].map((pair) => pair.map((torque) => torque / factor)) },
        { kind: 'polynomial', coefficients: [0.5 / factor, 1.01, 0.001 * factor] },
      ]) {
        const bench = await stationBench({ unit, deviceUnit: 'N.m', transducer: { serialNumber: 'HF-T-0060 (invented)', capacity: 60 / factor, calibration: { curve } } });
        await bench.pull(30);
        values.at(-1)!.push((bench.of('reading.stored')[0]!.reading.value * factor).toFixed(9));
        await bench.stop();
      }
    }
    expect(values[1]).toEqual(values[0]);
    expect(values[0]!.map((value) => Number(value).toFixed(1))).toEqual(['31.5', '31.7']);
  });

  it('what a change of the unit converts: limits, thresholds and the band of track', async () => {
    const bench = await stationBench({
      capture: { mode: 'track', detector: { armTorque: 3, releaseTorque: 2, clickFloor: 5 }, track: { stableMs: null, stableBand: 0.5 }, limits: { kind: 'absolute', target: 20, low: 19, high: 21 } },
    });
    await bench.command({ type: 'configure', unit: 'cN.m' });
    expect(bench.station.channels()[0]!.settings).toMatchObject({
      unit: 'cN.m', detector: { armTorque: 300, releaseTorque: 200, clickFloor: 500 }, track: { stableBand: 50 }, limits: { target: 2_000, low: 1_900, high: 2_100 },
    });
    // A threshold of 300 N·m would leave the channel deaf.
    await bench.command({ type: 'configure', mode: 'peak' });
    await bench.pull(20);
    expect(bench.of('reading.stored').map(({ reading }) => [Math.round(reading.value), reading.unit, reading.verdict])).toEqual([[2_000, 'cN.m', 'within']]);
    await bench.stop();
  });

  it('what a zero on command answers', async () => {
    const bench = await stationBench({ unit: 'cN.m', deviceUnit: 'N.m', transducer: { serialNumber: 'HF-T-0060 (invented)', capacity: 6_000 }, zero: { kind: 'command' } });
    const zeroed = bench.command({ type: 'zero' });
    await bench.torque(new Array<number>(800).fill(0.5));
    expect(await zeroed).toEqual({ zero: 50, unit: 'cN.m' });
    await bench.stop();
  });
});
