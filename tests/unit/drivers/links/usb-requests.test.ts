/** Several requests of a USB link wait at the device at a time. */
import { describe, expect, it } from 'vitest';
import type { ByteChunk, ByteLink } from '../../../../drivers/links/link.ts';
import { openUsbLink } from '../../../../drivers/links/usb-link.ts';
import type { UsbDeviceShape, UsbInResult, UsbSource } from '../../../../shared/usb-shapes.ts';
import { openUsbPort, UsbBus } from '../../../../simulator/index.ts';
import { breathe } from '../../../helpers/instrument-bench.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

const open = (source: UsbSource, clock = new ManualClock()): Promise<ByteLink> => (
  openUsbLink({ vendorId: '1209', productId: '0001', packetHeaderBytes: 0 }, source, { clock, signal: new AbortController().signal })
);

function heard(link: ByteLink): ByteChunk[] {
  const chunks: ByteChunk[] = [];
  link.listen((chunk) => chunks.push(chunk));
  return chunks;
}

const text = (chunks: readonly ByteChunk[]): string => Buffer.concat(chunks.map(({ data }) => data)).toString('latin1');

/** A device whose requests end when the test says so. */
function scripted(): { readonly source: UsbSource; readonly waiting: { end(result: UsbInResult): void; fail(error: Error): void }[]; readonly cleared: number[] } {
  const waiting: { end(result: UsbInResult): void; fail(error: Error): void }[] = [];
  const cleared: number[] = [];
  const done = async (): Promise<void> => {};
  const endpoints = [{ endpointNumber: 1, direction: 'in', type: 'bulk', packetSize: 64 }] as const;
  const device: UsbDeviceShape = {
    vendorId: 0x1209, productId: 1, opened: false, open: done, close: done, selectConfiguration: done, claimInterface: done, releaseInterface: done,
    configuration: { configurationValue: 1, interfaces: [{ interfaceNumber: 0, alternate: { alternateSetting: 0, interfaceClass: 255, endpoints } }] },
    transferIn: () => new Promise((resolve, reject) => waiting.push({ end: resolve, fail: reject })),
    transferOut: async () => ({ status: 'ok', bytesWritten: 0 }),
    clearHalt: async () => void cleared.push(waiting.length),
  };
  return { source: { getDevices: async () => [device] }, waiting, cleared };
}
const packet = (bytes: string): UsbInResult => ({ status: 'ok', data: new DataView(Uint8Array.from(Buffer.from(bytes)).buffer) });

describe('several requests at a time', () => {
  it('four wait at the device, and each that ends is followed by another', async () => {
    const bus = new UsbBus();
    const port = openUsbPort({ bus });
    const link = await open(bus);
    heard(link);
    await breathe();
    expect(port.pendingReads).toBe(4);
    for (let i = 0; i < 10; i++) {
      port.write(new Uint8Array(64));
      await breathe();
      expect(port.pendingReads).toBe(4);
    }
    await link.close();
  });

  it('packets are taken in the order in which they were asked for, each at the time when it came', async () => {
    const clock = new ManualClock();
    const { source, waiting } = scripted();
    const link = await open(source, clock);
    const chunks = heard(link);
    clock.advance(10);
    waiting[0]!.end(packet('A'));
    await breathe();
    clock.advance(10);
    waiting[2]!.end(packet('C'));
    await breathe();
    clock.advance(10);
    waiting[1]!.end(packet('B'));
    waiting[3]!.end(packet('D'));
    await breathe();
    expect(chunks.map(({ data, atMs }) => [Buffer.from(data).toString(), atMs])).toEqual([['A', 1_010], ['B', 1_030], ['C', 1_030], ['D', 1_030]]);
    expect(waiting.length).toBe(8);
    await link.close();
  });

  it('a halt is cleared once, when all that were asked for have ended, and what came beside it is kept', async () => {
    const { source, waiting, cleared } = scripted();
    const link = await open(source);
    const chunks = heard(link);
    waiting[0]!.end(packet('A'));
    waiting[1]!.end({ status: 'stall' });
    waiting[2]!.end(packet('B'));
    await breathe();
    expect([text(chunks), cleared, waiting.length]).toEqual(['AB', [], 5]);
    waiting[3]!.end({ status: 'stall' });
    waiting[4]!.end({ status: 'stall' });
    await breathe();
    expect([text(chunks), cleared, waiting.length]).toEqual(['AB', [5], 9]);
    waiting[5]!.end(packet('C'));
    await breathe();
    expect(text(chunks)).toBe('ABC');
    await link.close();
  });

  it('nothing is handed over behind a packet that failed', async () => {
    const { source, waiting } = scripted();
    const link = await open(source);
    const chunks = heard(link);
    waiting[2]!.end(packet('C'));
    waiting[3]!.fail(new DOMException('A transfer error has occurred.', 'NetworkError'));
    waiting[1]!.fail(new DOMException('A transfer error has occurred.', 'NetworkError'));
    waiting[0]!.end(packet('A'));
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST', message: 'reading the device failed: NetworkError: A transfer error has occurred.' } });
    expect(text(chunks)).toBe('A');
  });

  it('while reading is paused only what was asked for arrives, and then reading goes on in full', async () => {
    const { source, waiting } = scripted();
    const link = await open(source);
    const chunks = heard(link);
    link.pause!();
    for (const [i, bytes] of ['A', 'B', 'C'].entries()) waiting[i]!.end(packet(bytes));
    await breathe();
    expect([text(chunks), waiting.length]).toEqual(['', 4]);
    link.resume!();
    expect([text(chunks), waiting.length]).toEqual(['ABC', 7]);
    link.pause!();
    for (let i = 3; i < 7; i++) waiting[i]!.end(packet(`${i}`));
    await breathe();
    expect(waiting.length).toBe(7);
    link.resume!();
    await breathe();
    expect([text(chunks), waiting.length]).toEqual(['ABC3456', 11]);
    await link.close();
  });
});
