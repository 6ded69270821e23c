/** What gives no reading, and a channel that cannot arm, on the wire, in the counters and in the log. */
import { expect, it } from 'vitest';
import { half, stationBench } from '../helpers/station-bench.ts';

const close = (value: number): unknown => expect.closeTo(value, 6);

it('a knock and a pull in the other direction are told and counted by their reasons', async () => {
  const bench = await stationBench({ capture: { mode: 'peak', direction: 'cw' } });
  await bench.torque(half(8, 8));
  await bench.rest(400);
  await bench.pull(-30);
  await bench.pull(31);
  expect(bench.of('cycle.dismissed')).toMatchObject([
    { channel: 'bench-a/1', reason: 'too-short', direction: 'cw', unit: 'N.m', mode: 'peak', epoch: 1, maximum: close(Math.max(...half(8, 8))) },
    { reason: 'other-direction', direction: 'ccw', maximum: close(-Math.max(...half(30, 200))) },
  ]);
  expect(bench.of('reading.stored')).toHaveLength(1);
  const counts = ['too-short', 'other-direction', 'standing', 'not-taken'].map((reason) => bench.counter(`torsiond_dismissed_cycles_total{channel="bench-a/1",reason="${reason}"}`));
  expect(counts).toEqual([1, 1, 0, 0]);
  await bench.stop();
});

it('a channel that is loaded at rest says so within 2 s with the torque that stands there, and recovers', async () => {
  const bench = await stationBench();
  await bench.rest(500);
  await bench.torque(new Array<number>(2_000).fill(0.8));
  expect(bench.station.channels()[0]).toMatchObject({ state: 'loaded', loadedBy: close(0.8) });
  expect(bench.of('channel.state').at(-1)!.channel).toMatchObject({ state: 'loaded', loadedBy: close(0.8) });
  expect(bench.logLines.join('')).toContain('loaded at rest by 0.8 N.m: unload and zero');
  await bench.torque(half(30, 200).map((value) => value + 0.8));
  await bench.torque(new Array<number>(600).fill(0.8));
  expect(bench.of('reading.stored').map(({ reading }) => reading.flags)).toEqual([['offset-at-rest']]);
  await bench.rest(300);
  expect(bench.of('channel.state').at(-1)!.channel).toMatchObject({ state: 'armed', loadedBy: null });
  await bench.pull(30);
  expect(bench.of('reading.stored').at(-1)!.reading.flags).toEqual([]);
  await bench.stop();
});
