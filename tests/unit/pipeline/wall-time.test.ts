import { describe, expect, it } from 'vitest';
import { WallTime, type WallJump } from '../../../daemon/pipeline/wall-time.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';

describe('WallTime', () => {
  it('maps monotonic to wall time', () => {
    const clock = new ManualClock(1_000, 50_000);
    expect(new WallTime(clock).toWallMs(1_250)).toBe(50_250);
  });

  it('tells a jump, and keeps the old offset for times before it', () => {
    const clock = new ManualClock(1_000, 50_000);
    const jumps: WallJump[] = [];
    const wall = new WallTime(clock, (jump) => jumps.push(jump));
    clock.advance(500);
    clock.jumpWall(-3_600_000);
    clock.advance(500);
    expect(wall.look()).toEqual({ byMs: -3_600_000, noticedAtMs: 2_000 });
    expect(jumps).toHaveLength(1);
    expect(wall.toWallMs(1_500)).toBe(50_500);
    expect(wall.toWallMs(2_100)).toBe(51_100 - 3_600_000);
    expect(wall.look()).toBeNull();
    expect(wall.jumps).toBe(1);
  });

  it('follows the small steps of a time service without calling them jumps', () => {
    const clock = new ManualClock(0, 10_000);
    const wall = new WallTime(clock);
    for (let i = 0; i < 100; i++) {
      clock.jumpWall(20);
      clock.advance(1_000);
      expect(wall.look()).toBeNull();
    }
    expect(wall.toWallMs(100_000)).toBe(112_000);
  });

  it('does not shake by the whole milliseconds that a wall clock counts', () => {
    let nowMs = 0;
    const wall = new WallTime({ monoMs: () => nowMs, wallMs: () => Math.floor(1_700_000_000_000.4 + nowMs), after: () => () => {} });
    const errors: number[] = [];
    for (let i = 0; i < 2_000; i++) {
      nowMs += 7.37;
      errors.push(wall.toWallMs(nowMs) - (1_700_000_000_000.4 + nowMs));
    }
    const settled = errors.slice(200);
    expect(Math.max(...settled) - Math.min(...settled)).toBeLessThan(0.02);
    expect(Math.max(...errors.map(Math.abs))).toBeLessThanOrEqual(1);
  });

  it('forgets the oldest of many jumps and stays defined for old times', () => {
    const clock = new ManualClock(0, 0);
    const wall = new WallTime(clock);
    for (let i = 0; i < 100; i++) {
      clock.advance(1_000);
      clock.jumpWall(1_000);
      wall.look();
    }
    expect(wall.jumps).toBe(100);
    expect(Number.isFinite(wall.toWallMs(5))).toBe(true);
    expect(wall.toWallMs(100_000)).toBe(200_000);
  });
});
