import { expect, it } from 'vitest';
import { ConnectionMemory, MEMORY_BYTES, MEMORY_ITEMS, type Remembered } from '../../../daemon/recording/connection-memory.ts';

const chunk = (atMs: number, bytes: number): Remembered => ({ kind: 'chunk', chunk: { data: new Uint8Array(bytes), atMs } });
const times = (items: readonly Remembered[]): number[] => items.map((item) => (item.kind === 'chunk' ? item.chunk.atMs : -1));

it('keeps the beginning whole and of the rest the newest, within its bounds', () => {
  const memory = new ConnectionMemory(1);
  expect([memory.isEmpty, memory.sinceStart]).toEqual([true, []]);
  memory.take(chunk(0, 10));
  memory.take(chunk(1, 20));
  expect([memory.isEmpty, times(memory.sinceStart!)]).toEqual([false, [0, 1]]);
  memory.endHead();
  expect([memory.sinceStart, times(memory.head!), memory.latest]).toEqual([null, [0, 1], []]);
  for (let at = 2; at < 20_000; at++) {
    memory.take(chunk(at, 100));
    expect(memory.bytes).toBeLessThanOrEqual(30 + 2 * MEMORY_BYTES + 100);
    expect(memory.latest.length).toBeLessThanOrEqual(2 * MEMORY_ITEMS);
  }
  const latest = times(memory.latest);
  // Whatever falls out, the newest are there without a hole, and not few.
  expect(latest).toEqual(Array.from({ length: latest.length }, (_, i) => 20_000 - latest.length + i));
  expect(100 * latest.length).toBeGreaterThanOrEqual(MEMORY_BYTES);
  expect(times(memory.head!)).toEqual([0, 1]);
});

it('gives up a beginning that is too long, and says so', () => {
  const memory = new ConnectionMemory(1);
  for (let at = 0; at * 1_000 < 1.5 * MEMORY_BYTES; at++) memory.take(chunk(at, 1_000));
  expect([memory.isHeadLost, memory.sinceStart, memory.head, memory.bytes]).toEqual([true, null, null, 0]);
  memory.endHead();
  memory.take(chunk(500, 5));
  expect([memory.head, times(memory.latest)]).toEqual([null, [500]]);
});
