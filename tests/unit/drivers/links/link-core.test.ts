import { describe, expect, it } from 'vitest';
import { KEPT_BYTES_MAX, LinkCore } from '../../../../drivers/links/link-core.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

function bench(): { core: LinkCore; log: string[] } {
  const log: string[] = [];
  const core = new LinkCore('a link', new ManualClock(), { hold: () => log.push('hold'), release: () => log.push('release'), fail: (error) => log.push(error.code) });
  return { core, log };
}

describe('what a link keeps for its listener', () => {
  it('is handed over in order, also when it came in the smallest pieces', () => {
    const { core, log } = bench();
    for (let i = 0; i < KEPT_BYTES_MAX; i++) core.deliver(Uint8Array.of(i % 251));
    expect([log, core.keptBytes]).toEqual([['hold'], KEPT_BYTES_MAX]);
    let next = 0;
    let wrong = 0;
    core.listen(({ data }) => {
      if (data[0] !== next++ % 251) wrong++;
    });
    expect([next, wrong, core.keptBytes, log]).toEqual([KEPT_BYTES_MAX, 0, 0, ['hold', 'release']]);
  });

  it('stays in order when the listener pauses and resumes in the midst, and when more comes meanwhile', () => {
    const { core } = bench();
    core.pause();
    for (let i = 0; i < 10; i++) core.deliver(Uint8Array.of(i));
    const heard: number[] = [];
    core.listen(({ data }) => {
      heard.push(data[0]!);
      if (data[0] === 2) core.pause();
      if (data[0] === 4) core.deliver(Uint8Array.of(10));
      if (data[0] === 5) {
        core.pause();
        core.resume();
        core.pause();
      }
    });
    core.resume();
    expect([heard, core.keptBytes]).toEqual([[0, 1, 2], 7]);
    core.resume();
    core.resume();
    core.deliver(Uint8Array.of(11));
    expect([heard, core.keptBytes]).toEqual([[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11], 0]);
  });

  it('is gone when the link ends, also in the midst of handing it over', () => {
    const { core } = bench();
    for (let i = 0; i < 5; i++) core.deliver(Uint8Array.of(i));
    const heard: number[] = [];
    core.listen(({ data }) => {
      heard.push(data[0]!);
      if (data[0] === 2) core.finish({ reason: 'closed' });
    });
    expect([heard, core.keptBytes]).toEqual([[0, 1, 2], 0]);
  });
});
