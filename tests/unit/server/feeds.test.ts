import { describe, expect, it } from 'vitest';
import { BATCH_MS, SampleFeed } from '../../../daemon/server/stream/sample-feed.ts';
import { MAX_BATCH_SAMPLES, type SampleBatch } from '../../../daemon/server/stream/sample-batch.ts';
import { LiveFeed, servedLiveHz } from '../../../daemon/server/stream/live-feed.ts';
import { RateLimit } from '../../../shared/rate-limit.ts';
import { decodeSamples } from '../../../shared/wire/binary-samples.ts';
import { ChannelLive, Samples } from '../../../shared/wire/events.ts';
import type { Clock } from '../../../shared/clock.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import type { SampleBlock } from '../../../shared/sample-block.ts';

const block = (firstIndex: number, torque: number[], changes: Partial<SampleBlock> = {}): SampleBlock => ({
  channel: 'bench-a/1', epoch: 1, firstIndex, gap: null, startMs: 1_000 + firstIndex, spacingMs: 1, rateHz: 1_000, timeEstimated: false,
  unit: null, device: Float64Array.from(torque), status: null, torque: Float64Array.from(torque),
  conditioning: { unit: 'N.m', calibration: { kind: 'none' }, zero: 0, sign: 1 }, ...changes,
});

function feed(): { clock: ManualClock; feed: SampleFeed; batches: SampleBatch[] } {
  const clock = new ManualClock();
  const batches: SampleBatch[] = [];
  return { clock, batches, feed: new SampleFeed({ clock, toWallMs: (ms) => ms + 5e11, channelIndex: () => 3, publish: (batch) => batches.push(batch) }) };
}

describe('joining blocks of samples', () => {
  it('sends once in 20 ms whatever the number of blocks', () => {
    const { clock, feed: samples, batches } = feed();
    for (let i = 0; i < 20; i++) samples.add(block(i, [i]));
    expect(batches).toHaveLength(0);
    clock.advance(BATCH_MS);
    expect(batches).toHaveLength(1);
    expect([...batches[0]!.torque]).toEqual(Array.from({ length: 20 }, (_, i) => i));
    expect(clock.pendingTimers).toBe(0);
  });

  it('sends at once what grows too big', () => {
    const { feed: samples, batches } = feed();
    for (let i = 0; i < 10; i++) samples.add(block(i * 1_000, new Array<number>(1_000).fill(1)));
    expect(batches.map((batch) => batch.torque.length)).toEqual([Math.ceil(MAX_BATCH_SAMPLES / 1_000) * 1_000]);
  });

  it('never joins across a gap, a jump of the index or an epoch', () => {
    for (const next of [block(2, [3], { gap: 'bad-sample' }), block(5, [3]), block(2, [3], { epoch: 2 })]) {
      const { clock, feed: samples, batches } = feed();
      samples.add(block(0, [1, 2]));
      samples.add(next);
      clock.advance(BATCH_MS);
      expect(batches.map((batch) => [...batch.torque])).toEqual([[1, 2], [3]]);
      expect(batches.map((batch) => batch.isBroken)).toEqual([true, true]);
    }
  });

  it('encodes each format once for all clients', () => {
    const { clock, feed: samples, batches } = feed();
    samples.add(block(7, [1.5, -2.25]));
    clock.advance(BATCH_MS);
    const [batch] = batches;
    for (const format of ['binary', 'binary64', 'json'] as const) expect(batch!.encoded(format, false)).toBe(batch!.encoded(format, false));
    expect(decodeSamples(batch!.encoded('binary', true))).toMatchObject({ channelIndex: 3, epoch: 1, firstIndex: 7, startWallMs: 5e11 + 1_007, spacingMs: 1, broken: true, samples: Float32Array.of(1.5, -2.25) });
    expect(decodeSamples(batch!.encoded('binary64', false))).toMatchObject({ broken: false, samples: Float64Array.of(1.5, -2.25) });
    expect(Samples.parse(JSON.parse(Buffer.from(batch!.encoded('json', false)).toString()))).toMatchObject({ firstIndex: 7, torque: [1.5, -2.25] });
  });
});

describe('live values', () => {
  it('come once per period, in the channel\'s unit, and not while nothing comes', () => {
    const clock = new ManualClock();
    const told: { channel: string; message: unknown; samples: number }[] = [];
    const live = new LiveFeed(10, {
      clock, toWallMs: (ms) => ms, unitOf: () => 'cN.m', liveTorque: () => 0.5, onTurn: () => {},
      publish: (channel, message, samples) => told.push({ channel, message: ChannelLive.parse(JSON.parse(Buffer.from(message).toString())), samples }),
    });
    live.add(block(0, [0.1, 0.7, 0.5]));
    clock.advance(100);
    clock.advance(300);
    expect(told).toHaveLength(1);
    expect(told[0]).toMatchObject({ channel: 'bench-a/1', samples: 3, message: { unit: 'cN.m', value: 50, minMax: [0.1 / 0.01, 0.7 / 0.01] } });
    live.stop();
    expect(clock.pendingTimers).toBe(0);
  });

  it('keep their rate over time', () => {
    const clock = new ManualClock();
    let told = 0;
    const live = new LiveFeed(30, { clock, toWallMs: (ms) => ms, unitOf: () => 'N.m', liveTorque: () => 1, onTurn: () => {}, publish: () => (told += 1) });
    for (let ms = 0; ms < 3_000; ms++) {
      live.add(block(ms, [1]));
      clock.advance(1);
    }
    expect(told).toBeGreaterThanOrEqual(88);
    expect(told).toBeLessThanOrEqual(90);
    live.stop();
  });

  it('make up for nothing after a stall', () => {
    let nowMs = 0;
    let waiting: { delayMs: number; callback: () => void } | null = null;
    const stalled: Clock = { monoMs: () => nowMs, wallMs: () => nowMs, after: (delayMs, callback) => ((waiting = { delayMs, callback }), () => {}) };
    new LiveFeed(10, { clock: stalled, toWallMs: (ms) => ms, unitOf: () => 'N.m', liveTorque: () => 1, onTurn: () => {}, publish: () => {} });
    nowMs = 5_000;
    waiting!.callback();
    expect(waiting!.delayMs).toBe(100);
  });

  it('are served at few distinct rates', () => {
    const served = new Set(Array.from({ length: 5_001 }, (_, i) => servedLiveHz(i / 100)));
    expect(served.size).toBeLessThanOrEqual(61);
    expect(servedLiveHz(0)).toBe(0);
    expect(servedLiveHz(0.001)).toBe(0.1);
    expect(servedLiveHz(50)).toBe(50);
  });
});

describe('the rate limit', () => {
  it('lets a burst through and then so many in a second', () => {
    const limit = new RateLimit(100, 0);
    const taken = (ms: number, tries: number): number => Array.from({ length: tries }, () => limit.take(ms)).filter(Boolean).length;
    expect(taken(0, 150)).toBe(100);
    expect(taken(500, 150)).toBe(50);
    expect(taken(100_000, 150)).toBe(100);
  });
});
