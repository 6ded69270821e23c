import { describe, expect, it } from 'vitest';
import { ChannelPipeline } from '../../../daemon/pipeline/channel-pipeline.ts';
import { SampleSource } from '../../../daemon/pipeline/sample-source.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import type { Reading } from '../../../shared/reading.ts';
import { TransducerSettings } from '../../../shared/transducer.ts';
import { END_MS, PULLS, torqueAt } from '../../helpers/hole-plan.ts';
import { seeded } from '../../helpers/seeded.ts';

interface Stop {
  readonly rateHz: number;
  /** The process reads nothing from here on, ms … */
  readonly fromMs: number;
  /** … the host's buffer is full at this moment and drops what comes … */
  readonly fullMs: number;
  /** … until it is read again. */
  readonly toMs: number;
  readonly seed: number;
}

/** What the buffer kept comes in one go, in chunks as reads give them; then all is on time again. */
function* arrivals({ rateHz, fromMs, fullMs, toMs, seed }: Stop): Generator<{ atMs: number; torque: number[] }> {
  const random = seeded(seed);
  const chunk = 1 + Math.floor(600 * random());
  let kept: number[] = [];
  for (let n = 0; (n * 1_000) / rateHz < END_MS; n++) {
    const takenMs = (n * 1_000) / rateHz;
    const torque = torqueAt(takenMs);
    if (takenMs >= fromMs && takenMs < toMs) {
      if (takenMs < fullMs) kept.push(torque);
      continue;
    }
    if (takenMs >= toMs) while (kept.length > 0) yield { atMs: toMs, torque: kept.splice(0, chunk) };
    kept = [];
    yield { atMs: takenMs + 0.3 * random(), torque: [torque] };
  }
}

function run(stop: Stop): Reading[] {
  const source = new SampleSource({ instrument: 'bench', epoch: 1, ratesHz: [stop.rateHz], silenceMs: 2_000 });
  const pipeline = new ChannelPipeline({
    channel: 'bench/1', source: null, unit: 'N.m', sign: 1, zero: { kind: 'fixed', offset: 0 }, isSimulated: true, software: 'test', toWallMs: (ms) => ms,
    transducer: TransducerSettings.parse({ serialNumber: 'HF-T-0001', capacity: 60 }),
    capture: CaptureSettings.parse({ mode: 'peak' }),
  });
  const readings: Reading[] = [];
  pipeline.outcomes$.subscribe((outcome) => {
    if (outcome.kind === 'reading') readings.push(outcome.reading);
  });
  for (const { atMs, torque } of arrivals(stop)) {
    for (const block of source.step({ kind: 'values', channel: 0, values: Float64Array.from(torque), unit: null, status: null, atMs })) pipeline.push(block);
  }
  for (const block of source.end()) pipeline.push(block);
  pipeline.end('stopped');
  return readings;
}

describe('a process that slept until the buffer of the host was full', () => {
  it('has no pull judged across what the buffer dropped, and the later pull is there: 120 stops', () => {
    const random = seeded(15);
    const [first, second] = PULLS;
    for (let i = 0; i < 120; i++) {
      const fullMs = first.fromMs + 80 + (first.toMs - first.fromMs - 160) * random();
      const keptMs = 30 + 1_300 * random();
      const toMs = Math.min(second.fromMs - 500, fullMs + 30 + 2_500 * random() ** 2);
      const stop: Stop = { rateHz: [100, 500, 1_000, 5_000][i % 4]!, fromMs: fullMs - keptMs, fullMs, toMs, seed: i };
      const readings = run(stop);
      const told = JSON.stringify({ stop, readings: readings.map(({ value, durationMs, flags }) => [value, durationMs, flags]) });
      const isSecond = ({ value }: Reading): boolean => Math.abs(value - second.torque) < 0.1;
      expect(readings.filter(isSecond), told).toHaveLength(1);
      expect(readings.filter((reading) => !isSecond(reading) && !reading.flags.includes('gap')), told).toEqual([]);
    }
  }, 600_000);
});
