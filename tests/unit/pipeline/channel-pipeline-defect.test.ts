import { describe, expect, it } from 'vitest';
import { ChannelPipeline, type Outcome } from '../../../daemon/pipeline/channel-pipeline.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import { TransducerSettings } from '../../../shared/transducer.ts';

const RATE_HZ = 1_000;

function bench(toWallMs: (monoMs: number) => number): { outcomes: Outcome[]; pull: () => void; pipeline: ChannelPipeline; errors: unknown[] } {
  const pipeline = new ChannelPipeline({
    channel: 'bench-a/1', source: null, unit: 'N.m', sign: 1, zero: { kind: 'fixed', offset: 0 }, capture: CaptureSettings.parse({ mode: 'peak' }),
    transducer: TransducerSettings.parse({ serialNumber: 'HF-T60-0001 (invented)', capacity: 60 }), isSimulated: false, software: '0.0.0-test', toWallMs,
  });
  const outcomes: Outcome[] = [];
  const errors: unknown[] = [];
  pipeline.outcomes$.subscribe({ next: (outcome) => outcomes.push(outcome), error: (thrown: unknown) => errors.push(thrown) });
  let firstIndex = 0;
  const pull = (): void => {
    const device = Float64Array.from({ length: 300 }, (_, i) => (i >= 100 && i < 200 ? 30 : 0));
    for (let i = 0; i < device.length; i += 10) {
      pipeline.push({
        channel: 'bench-a/1', epoch: 1, firstIndex, gap: firstIndex === 0 ? 'connected' : null, startMs: firstIndex, spacingMs: 1, rateHz: RATE_HZ,
        timeEstimated: false, unit: null, device: device.slice(i, i + 10), status: null,
      });
      firstIndex += 10;
    }
  };
  return { outcomes, pull, pipeline, errors };
}

const kinds = (outcomes: readonly Outcome[]): string[] => outcomes.map(({ kind }) => kind).filter((kind) => kind === 'reading' || kind === 'fault');

describe('a step of the pipeline that throws', () => {
  it.each([
    ['in capture', (): number => { throw new Error('made to fail'); }],
    ['in judgement', (): number => Number.NaN],
  ])('%s is told once, however often it happens, and the channel goes on', (_, fail) => {
    let isFailing = true;
    const { outcomes, pull, errors, pipeline } = bench((monoMs) => (isFailing ? fail() : monoMs));
    for (let i = 0; i < 5; i++) pull();
    expect(kinds(outcomes)).toEqual(['fault']);
    expect(outcomes.find(({ kind }) => kind === 'fault')).toMatchObject({ fault: { code: 'INTERNAL' } });
    isFailing = false;
    pull();
    pull();
    expect(kinds(outcomes).slice(0, 3)).toEqual(['fault', 'reading', 'reading']);
    expect(errors).toEqual([]);
    // The samples of another connection are another matter.
    pipeline.end('gap');
    isFailing = true;
    pull();
    expect(kinds(outcomes).at(-1)).toBe('fault');
  });
});
