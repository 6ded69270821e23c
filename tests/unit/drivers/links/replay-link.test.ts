import { describe, expect, it } from 'vitest';
import type { ByteChunk } from '../../../../drivers/links/link.ts';
import { openReplayLink, type ReplayLink } from '../../../../drivers/links/replay-link.ts';
import { systemClock } from '../../../../shared/clock.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

const chunk = (text: string, atMs: number): ByteChunk => ({ data: Buffer.from(text), atMs });
const tape = [chunk('a', 700), chunk('b', 710), chunk('c', 760)];
const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
const context = (clock = new ManualClock()): { clock: ManualClock; signal: AbortSignal } => ({ clock, signal: new AbortController().signal });

function heard(link: ReplayLink): { chunks: [string, number][]; end: () => string | null } {
  const chunks: [string, number][] = [];
  let end: string | null = null;
  void link.ended.then((how) => { end = how.reason; });
  link.listen(({ data, atMs }) => chunks.push([Buffer.from(data).toString(), atMs]));
  return { chunks, end: () => end };
}

describe('a recording', () => {
  it('plays at once with its own times, then finishes', async () => {
    const link = openReplayLink(tape, { speed: 'max' }, context());
    const { chunks } = heard(link);
    expect(await link.ended).toEqual({ reason: 'finished' });
    expect(chunks).toEqual([['a', 700], ['b', 710], ['c', 760]]);
  });

  it('plays with its pauses, at the speed that is asked for', async () => {
    const clock = new ManualClock(0);
    const { chunks, end } = heard(openReplayLink(tape, { speed: 2 }, context(clock)));
    const at = async (ms: number): Promise<string> => {
      clock.advance(ms - clock.monoMs());
      await turn();
      return chunks.map(([text]) => text).join('');
    };
    expect([await at(0), await at(4.9), await at(5), await at(29.9), await at(30)]).toEqual(['a', 'a', 'ab', 'ab', 'abc']);
    expect(end()).toBe('finished');
  });

  it('waits while its reader pauses, reads no further, and loses nothing', async () => {
    let read = 0;
    async function* source(): AsyncGenerator<ByteChunk> {
      for (const one of tape) {
        read++;
        yield one;
      }
    }
    const link = openReplayLink(source(), { speed: 'max' }, context());
    const texts: string[] = [];
    link.listen(({ data }) => {
      texts.push(Buffer.from(data).toString());
      link.pause!();
    });
    for (let i = 0; i < 5; i++) await turn();
    expect(texts).toEqual(['a']);
    expect(read).toBeLessThanOrEqual(2);
    while (texts.length < 3) {
      link.resume!();
      await turn();
    }
    link.resume!();
    expect((await link.ended).reason).toBe('finished');
    expect(texts).toEqual(['a', 'b', 'c']);
  });

  it('lets other work have its turn at full speed', async () => {
    const big = Array.from({ length: 64 }, (_, i) => ({ data: new Uint8Array(64 * 1024), atMs: i }));
    const link = openReplayLink(big, { speed: 'max' }, context());
    let turns = 0;
    let isOver = false;
    const count = (): void => {
      turns++;
      if (!isOver) setImmediate(count);
    };
    setImmediate(count);
    link.listen(() => {});
    await link.ended;
    isOver = true;
    expect(turns).toBeGreaterThan(8);
  });

  it('whose times go back is held at the latest time', async () => {
    const link = openReplayLink([chunk('a', 10), chunk('b', 5)], { speed: 'max' }, context());
    const { chunks } = heard(link);
    await link.ended;
    expect(chunks).toEqual([['a', 10], ['b', 10]]);
  });

  it('that cannot be read on ends as lost, with the reason', async () => {
    async function* broken(): AsyncGenerator<ByteChunk> {
      yield tape[0]!;
      throw new Error('the file is cut');
    }
    const link = openReplayLink(broken(), { speed: 'max' }, context());
    const { chunks } = heard(link);
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { message: 'the file is cut' } });
    expect(chunks.length).toBe(1);
  });

  it('takes writes and counts them, until it ended', async () => {
    const link = openReplayLink(tape, { speed: 'max' }, context());
    await link.write(Buffer.from('GO'));
    expect(link.ignoredWrites).toBe(1);
    await link.close();
    expect((await link.ended).reason).toBe('closed');
    await expect(link.write(Buffer.from('GO'))).rejects.toMatchObject({ code: 'LINK_CLOSED' });
  });

  it('closed in the middle of a pause leaves no timer and reads no further', async () => {
    const clock = new ManualClock(0);
    const link = openReplayLink(tape, { speed: 1 }, context(clock));
    const { chunks } = heard(link);
    await turn();
    await link.close();
    await turn();
    clock.advance(1_000);
    await turn();
    expect(chunks.length).toBe(1);
    expect(clock.pendingTimers).toBe(0);
  });

  it('refuses a speed that is none', () => {
    expect(() => openReplayLink(tape, { speed: 0 }, { clock: systemClock, signal: new AbortController().signal })).toThrow(/speed 0/);
  });
});
