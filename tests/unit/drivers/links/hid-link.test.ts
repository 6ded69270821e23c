import { describe, expect, it } from 'vitest';
import { openHidLink, type HidLinkOptions } from '../../../../drivers/links/hid-link.ts';
import type { ByteChunk, ByteLink } from '../../../../drivers/links/link.ts';
import type { HidSource } from '../../../../drivers/links/hid-shapes.ts';
import { bytesOfReport, outputRoom, reportsOfBytes } from '../../../../drivers/links/hid-reports.ts';
import { TorsiondError } from '../../../../shared/errors.ts';
import { HidBus, openHidPort, type HidPort, type HidPortOptions } from '../../../../simulator/index.ts';
import { breathe } from '../../../helpers/instrument-bench.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

interface Bench {
  readonly clock: ManualClock;
  readonly bus: HidBus;
  readonly port: HidPort;
  open(options?: Partial<HidLinkOptions>, source?: HidSource): Promise<ByteLink>;
}

const LAYOUT = { reportId: 0, payload: { offset: 1, lengthByte: 0 }, output: { reportId: 0, bytes: 64, offset: 1, lengthByte: 0 } };

function bench(kind: Omit<HidPortOptions, 'bus'> = {}): Bench {
  const clock = new ManualClock();
  const bus = new HidBus();
  return {
    clock, bus, port: openHidPort({ bus, ...kind }),
    open: (options = {}, from = bus) => openHidLink({ vendorId: '1209', productId: '0002', ...LAYOUT, ...options }, from, { clock, signal: new AbortController().signal }),
  };
}

function heard(link: ByteLink): ByteChunk[] {
  const chunks: ByteChunk[] = [];
  link.listen((chunk) => chunks.push(chunk));
  return chunks;
}

async function refusal(promise: Promise<unknown>): Promise<TorsiondError> {
  const thrown = await promise.then(() => null, (error: unknown) => error);
  if (!(thrown instanceof TorsiondError)) throw new Error(`expected a refusal, got ${String(thrown)}`);
  return thrown;
}

/** The end of the link, without any time passing. */
async function lossOf(link: ByteLink): Promise<TorsiondError> {
  const end = await Promise.race([link.ended, breathe().then(() => null)]);
  if (end?.reason !== 'lost') throw new Error(`expected a loss, got ${end?.reason ?? 'none'}`);
  return end.error;
}

const text = (chunks: readonly ByteChunk[]): string => Buffer.concat(chunks.map(({ data }) => data)).toString('latin1');

describe('bytes in reports', () => {
  const whole = { offset: 0, lengthByte: null };

  it('are taken out by number, place and length', () => {
    const report = Uint8Array.of(7, 2, 65, 66, 0, 0);
    const read = (reportId: number, payload: { offset: number; lengthByte: number | null }): number[] => [...bytesOfReport(report, { reportId, payload }, 'HID')];
    expect(read(0, whole)).toEqual([7, 2, 65, 66, 0, 0]);
    expect(read(7, whole)).toEqual([2, 65, 66, 0, 0]);
    expect(read(7, { offset: 1, lengthByte: 0 })).toEqual([65, 66]);
    expect(read(0, { offset: 2, lengthByte: 1 })).toEqual([65, 66]);
    expect(read(3, whole)).toEqual([]);
    expect(read(7, { offset: 5, lengthByte: null })).toEqual([]);
  });

  it('that a report cannot hold are told, not cut', () => {
    const broken = (report: number[], payload: { offset: number; lengthByte: number | null }): string => {
      try {
        return String(bytesOfReport(Uint8Array.from(report), { reportId: 0, payload }, 'HID'));
      } catch (error) {
        return (error as TorsiondError).message;
      }
    };
    expect(broken([4, 1, 2, 3], { offset: 1, lengthByte: 0 })).toBe('a report of the device says that 4 bytes count, but has 3');
    expect(broken([1, 2], { offset: 3, lengthByte: null })).toBe('a report of the device has 2 bytes, too few for the payload in the settings');
    expect(broken([], { offset: 0, lengthByte: 0 })).toBe('a report of the device has 0 bytes, too few for the payload in the settings');
  });

  it('go out in reports of one size, filled up with zeros', () => {
    const out = (bytes: number[], layout: { offset: number; lengthByte: number | null }): number[][] =>
      reportsOfBytes(Uint8Array.from(bytes), { reportId: 5, bytes: 4, ...layout }).map((report) => [...report]);
    expect(out([1, 2, 3, 4, 5], whole)).toEqual([[5, 1, 2, 3, 4], [5, 5, 0, 0, 0]]);
    expect(out([1, 2, 3, 4], { offset: 1, lengthByte: 0 })).toEqual([[5, 3, 1, 2, 3], [5, 1, 4, 0, 0]]);
    expect(out([], whole)).toEqual([]);
    expect(outputRoom({ reportId: 0, bytes: 400, offset: 1, lengthByte: 0 })).toBe(255);
    expect(outputRoom({ reportId: 0, bytes: 4, offset: 1, lengthByte: 2 })).toBe(0);
  });
});

describe('the HID link', () => {
  it('tells twins apart by serial number or socket, or refuses them', async () => {
    const { bus, open } = bench({ serialNumber: 'HF-A', place: '1-2' });
    openHidPort({ bus, serialNumber: null, place: '1-3' });
    const error = await refusal(open());
    expect([error.code, error.message]).toEqual(['LINK_AMBIGUOUS', '2 such devices are plugged in: serial number HF-A in socket 1-2; one without serial number in socket 1-3']);
    for (const options of [{ serialNumber: 'HF-A' }, { place: '1-3' }]) await (await open(options)).close();
    expect((await refusal(open({ serialNumber: 'HF-Z' }))).message).toContain('no such device is plugged in; of the same ids there are serial number HF-A in socket 1-2');
  });

  it('takes the collection that the settings name, and a device with two of them for one', async () => {
    const { bus, open } = bench({ usagePage: 0xff00, usage: 1 });
    expect((await refusal(open({ usagePage: 1 }))).code).toBe('LINK_NOT_FOUND');
    await (await open({ usagePage: 0xff00, usage: 1 })).close();
    const twice = { devices: async () => (await bus.devices()).flatMap((entry) => [entry, { ...entry, usage: 2 }]), open: (path: string) => bus.open(path) };
    await (await open({}, twice)).close();
  });

  it('refuses a layout without room before it opens anything', async () => {
    const { open } = bench();
    const error = await refusal(open({ output: { reportId: 0, bytes: 2, offset: 2, lengthByte: 0 } }));
    expect([error.code, error.message]).toEqual(['LINK_SETTINGS', 'the layout of output reports has no room for bytes']);
  });

  it.each([
    [new Error('cannot open device with path /dev/hidraw0: Permission denied'), 'LINK_PERMISSION'],
    [new Error('cannot open device with path /dev/hidraw0: No such file or directory'), 'LINK_NOT_FOUND'],
    [new Error('cannot open device with path /dev/hidraw0'), 'LINK_OPEN_FAILED'],
  ])('says why it could not open: %s', async (reason, code) => {
    const { open, port } = bench();
    port.refuse(reason);
    expect((await refusal(open())).code).toBe(code);
    port.refuse(null);
    await (await open()).close();
  });

  it('gives each report its own time of arrival', async () => {
    const { clock, open, port } = bench();
    const link = await open();
    const chunks = heard(link);
    for (const part of ['1.0\n', '2.0\n']) {
      clock.advance(10);
      port.write(Buffer.from(part));
      await breathe();
    }
    expect(chunks.map(({ data, atMs }) => [Buffer.from(data).toString(), atMs])).toEqual([['1.0\n', 1_010], ['2.0\n', 1_020]]);
    await link.close();
  });

  it('takes only reports of its number for data', async () => {
    const { open, port } = bench({ reportId: 3, reportBytes: 8 });
    const link = await open({ reportId: 3 });
    const chunks = heard(link);
    port.sendReport(Uint8Array.of(9, 2, 65, 65, 0, 0, 0, 0, 0));
    port.sendReport(Uint8Array.of(3, 2, 66, 66, 0, 0, 0, 0, 0));
    port.sendReport(Uint8Array.of(3, 0, 67, 67, 0, 0, 0, 0, 0));
    expect(text(chunks)).toBe('BB');
    await link.close();
  });

  it('ends as lost when a report is not as the settings say', async () => {
    const { open, port } = bench();
    const link = await open();
    port.sendReport(Uint8Array.of(200, 1, 2));
    expect(await lossOf(link)).toMatchObject({ code: 'LINK_LOST', message: 'a report of the device says that 200 bytes count, but has 2' });
  });

  it('notices at once that it was unplugged, and can be opened again', async () => {
    const { open, port } = bench();
    const link = await open();
    await port.unplug();
    expect((await lossOf(link)).message).toBe('reading the device failed: could not read from HID device');
    await port.replug();
    await (await open()).close();
  });

  it('notices without an event that the device is gone', async () => {
    const { bus, clock, open } = bench();
    let isThere = true;
    const link = await open({}, { devices: () => bus.devices(), open: (path) => bus.open(path), isThere: async () => isThere });
    clock.advance(1_000);
    await breathe();
    isThere = false;
    clock.advance(1_000);
    expect((await lossOf(link)).message).toBe('the device is no longer there');
  });

  it('keeps 256 KiB for a reader that pauses; more end the link, so that the gap is told', async () => {
    const { open, port } = bench();
    const link = await open();
    const chunks = heard(link);
    link.pause!();
    const part = new Uint8Array(63 * 1_000);
    for (let i = 0; i < 4; i++) {
      port.write(part);
      await breathe();
    }
    link.resume!();
    expect(chunks.reduce((sum, { data }) => sum + data.length, 0)).toBe(4 * part.length);
    link.pause!();
    for (let i = 0; i < 5; i++) {
      port.write(part);
      await breathe();
    }
    expect((await lossOf(link)).message).toBe('nobody took the 262144 bytes that came, and a HID device cannot be held back');
  });

  it('ends after 2 s when the device takes nothing', async () => {
    const { clock, open, port } = bench();
    const link = await open();
    port.hangOut(true);
    const first = refusal(link.write(Buffer.from('A')));
    const others = Array.from({ length: 64 }, () => refusal(link.write(Buffer.from('B'))));
    expect((await others.at(-1)!).message).toBe('64 writes wait already');
    await breathe();
    clock.advance(2_000);
    expect([(await first).code, (await others[0]!).code, (await lossOf(link)).code]).toEqual(['LINK_WRITE_TIMEOUT', 'LINK_CLOSED', 'LINK_WRITE_TIMEOUT']);
  });

  it('refuses what is under way when the device is unplugged', async () => {
    const { open, port } = bench();
    const link = await open();
    port.hangOut(true);
    const written = refusal(link.write(Buffer.from('A')));
    await breathe();
    await port.unplug();
    expect((await written).code).toBe('LINK_LOST');
  });

  it('lets what was begun leave when it is closed', async () => {
    const { open, port } = bench();
    const link = await open();
    const parts: Uint8Array[] = [];
    port.onData((bytes) => parts.push(bytes));
    const written = link.write(Buffer.from('STOP'));
    for (let i = 0; i < 5; i++) await Promise.resolve();
    expect(parts).toEqual([]);
    await link.close();
    await written;
    expect(Buffer.concat(parts).toString()).toBe('STOP');
  });
});
