import { describe, expect, it } from 'vitest';
import { captured, engine, feed, lines } from './shapes.ts';

/** Rise, click at 40 by `depth` N.m, free travel, on to 48, let go. */
const click = (depth: number): number[] => lines([0, 0], [500, 0], [1_500, 40], [1_512, 40 - depth], [1_560, 40.5 - depth], [1_800, 48], [2_000, 0], [3_000, 0]);
const smooth = lines([0, 0], [500, 0], [1_900, 48], [2_400, 48], [2_600, 0], [3_000, 0]);
const hum = (samples: readonly number[], amplitude: number, hz: number): number[] => samples.map((value, i) => value + amplitude * Math.sin((2 * Math.PI * hz * i) / 1_000 + 0.4));
const reading = (samples: readonly number[]) => captured(feed(engine({ mode: 'first-peak' }), samples))[0]!.capture;

describe('first peak in mains hum', () => {
  it.each([50, 60])('of %i Hz takes no swing for a click, and says where one may be hidden', (hz) => {
    for (const amplitude of [0.12, 0.3, 0.6]) {
      const { click: isClick, value, flags } = reading(hum(smooth, amplitude, hz));
      expect(isClick).toBe(false);
      expect(Math.abs(value - 48)).toBeLessThan(amplitude + 0.1);
      expect(flags.includes('noisy')).toBe(2 * amplitude > 0.015 * 30);
    }
  });

  it.each([50, 60])('of %i Hz finds a click that is deeper than the hum', (hz) => {
    for (const amplitude of [0.12, 0.3, 0.6]) {
      const { click: isClick, value, flags } = reading(hum(click(8), amplitude, hz));
      expect(isClick).toBe(true);
      expect(Math.abs(value - 40)).toBeLessThan(amplitude + 0.1);
      expect(flags).toEqual([]);
    }
  });

  it('never decides in silence when the click is as small as the hum', () => {
    for (let phase = 0; phase < 20; phase++) {
      const { flags, value } = reading(hum([...Array<number>(phase).fill(0), ...click(1)], 0.6, 50));
      expect(Math.abs(value - 40) < 0.8 || flags.includes('noisy')).toBe(true);
    }
  });
});

describe('a fall nearly to nothing', () => {
  const deep = (bottom: number, backMs: number): number[] =>
    lines([0, 0], [500, 0], [1_500, 40], [1_510, bottom], [1_540, bottom], [1_540 + backMs, 24], [1_540 + 2 * backMs, 48], [2_300, 0], [3_000, 0]);

  it('is a click when half of the torque is back within a quarter of a second', () => {
    for (const bottom of [2, 4, 5.5]) expect(reading(deep(bottom, 100))).toMatchObject({ click: true, value: 40, maximum: 48, flags: [] });
  });

  it('is none when it comes later, or never', () => {
    expect(reading(deep(4, 300))).toMatchObject({ click: false });
    expect(reading(lines([0, 0], [500, 0], [1_500, 40], [1_510, 4], [1_900, 4], [2_000, 0], [3_000, 0]))).toMatchObject({ click: false, value: 40 });
  });
});

describe('a knee in the ramp, and a pull that gets faster', () => {
  it('hide no click', () => {
    const knee = lines([0, 0], [500, 0], [900, 34], [1_300, 40], [1_312, 38], [1_380, 38.2], [1_800, 46], [2_000, 0], [3_000, 0]);
    expect(reading(knee)).toMatchObject({ click: true, value: 40 });
    const faster = lines([0, 0], [500, 0], [800, 10], [950, 22], [1_040, 40], [1_055, 37.6], [1_075, 38], [1_150, 55], [1_300, 0], [3_000, 0]);
    expect(reading(faster)).toMatchObject({ click: true, value: 40 });
  });
});
