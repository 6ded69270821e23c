import { describe, expect, it } from 'vitest';
import { framedBinary } from '../../../../drivers/protocols/framed-binary/driver.ts';
import { rawCounts } from '../../../../drivers/protocols/raw-counts/driver.ts';
import { polledBench, settled, told } from '../../../helpers/polled-bench.ts';

const teds = { send: '3f 54', bytes: 40, channel: 2, timeoutMs: 200, tries: 2 };
const OPTIONS = { sync: 'aa 55', channels: 2, bits: 16, checksum: 'SUM-8', commands: { start: '01', stop: '02', teds } };
const SHEET = Uint8Array.from({ length: 40 }, (_, i) => i + 1);
const frame = (a: number, b: number): Uint8Array => {
  const bytes = [0xaa, 0x55, a >> 8, a & 0xff, b >> 8, b & 0xff];
  return Uint8Array.from([...bytes, bytes.reduce((sum, byte) => sum + byte, 0) & 0xff]);
};
const sent = (bench: ReturnType<typeof polledBench>): string[] => bench.far.written.map((bytes) => Buffer.from(bytes).toString('hex'));

describe('frames and the data sheet of a transducer', () => {
  it('is asked for before the start, and none of its bytes is taken for a frame', async () => {
    const bench = polledBench(rawCounts, OPTIONS, (message) => (message.length === 2 ? { afterMs: 5, bytes: Uint8Array.from([...SHEET, ...frame(9, 9)]) } : null));
    await bench.started();
    expect(sent(bench)).toEqual(['02', '3f54', '01']);
    expect(bench.session.dataSheets!()).toEqual([{ channel: 1, bytes: SHEET }]);
    bench.far.deliver(frame(7, 8));
    expect(told(bench.events)).toEqual([[0, 7], [1, 8]]);
    await bench.session.stop();
  });

  it('may come in pieces', async () => {
    const bench = polledBench(rawCounts, OPTIONS, (message, clock) => {
      if (message.length !== 2) return null;
      [0, 10, 25, 40].forEach((at, i, all) => i > 0 && clock.after(i * 30, () => bench.far.deliver(SHEET.subarray(all[i - 1], at))));
      return null;
    });
    await bench.started();
    expect(bench.session.dataSheets!()).toEqual([{ channel: 1, bytes: SHEET }]);
    await bench.session.stop();
  });

  it('is asked for again when it is cut short, and what came of it is not counted', async () => {
    let asked = 0;
    const bench = polledBench(rawCounts, OPTIONS, (message) => (message.length !== 2 ? null : { afterMs: 5, bytes: ++asked === 1 ? SHEET.subarray(0, 13) : SHEET }));
    await bench.started();
    expect(asked).toBe(2);
    expect(bench.session.dataSheets!()).toEqual([{ channel: 1, bytes: SHEET }]);
    await bench.session.stop();
  });

  it('that does not come is told after the tries, and the device is not started', async () => {
    const bench = polledBench(rawCounts, OPTIONS, (message) => (message.length === 2 ? { afterMs: 5, bytes: SHEET.subarray(0, 13) } : null));
    await expect(bench.started()).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT', message: '13 of the 40 bytes of a data sheet came in 2 tries of 200 ms' });
    expect(sent(bench)).toEqual(['02', '3f54', '3f54']);
    await bench.session.stop();
  });

  it('waits until a device that still streamed is silent', async () => {
    let isStreaming = true;
    const bench = polledBench(rawCounts, OPTIONS, (message, clock) => {
      if (message[0] === 2) clock.after(150, () => { isStreaming = false; });
      return message.length === 2 ? { afterMs: 5, bytes: SHEET } : null;
    });
    const stream = (): void => {
      if (isStreaming) bench.far.deliver(frame(1, 1));
      if (isStreaming) bench.clock.after(10, stream);
    };
    bench.clock.after(0, stream);
    await bench.started();
    expect(bench.session.dataSheets!()).toEqual([{ channel: 1, bytes: SHEET }]);
    expect(sent(bench)).toEqual(['02', '3f54', '01']);
    await bench.session.stop();
  });

  it('ends with the connection, or when starting is given up', async () => {
    for (const [end, code] of [['unplug', 'LINK_LOST'], ['abort', 'DEVICE_TIMEOUT']] as const) {
      const bench = polledBench(rawCounts, OPTIONS, () => null);
      let thrown: unknown = null;
      bench.session.start().catch((error: unknown) => (thrown = error));
      await bench.pass(50);
      if (end === 'unplug') bench.far.unplug();
      else bench.abort.abort();
      for (let i = 0; i < 5; i++) await settled();
      expect(thrown).toMatchObject({ code });
      await bench.session.stop();
      expect(bench.clock.pendingTimers).toBe(0);
    }
  });

  it('needs a device that is silent until it is started, and a channel that there is', () => {
    const faults = (options: object): string[] => (rawCounts.optionsSchema.safeParse(options).error?.issues ?? []).map((issue) => `${issue.path.join('.')}: ${issue.message}`);
    expect(faults({ ...OPTIONS, commands: { teds } })).toEqual(['commands.teds: needs a start command too: only while the device is silent can its answer be told from frames']);
    expect(faults({ ...OPTIONS, channels: 1 })).toEqual(['commands.teds: is for channel 2; there are 1']);
    const layout = { framing: { kind: 'sync', bytes: 'aa 55', length: 5 }, checksum: { name: 'SUM-8' }, channels: [{ at: 2, type: 'i16' }], commands: { teds: { ...teds, channel: 1 } } };
    expect(framedBinary.optionsSchema.safeParse(layout).error?.issues[0]).toMatchObject({ path: ['commands', 'teds'] });
    expect(framedBinary.optionsSchema.safeParse({ ...layout, commands: { start: '01', teds: { ...teds, channel: 1 } } }).success).toBe(true);
  });
});
