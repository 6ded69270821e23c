/** A WebUSB device at a page, on a clock that stands still: how its transfers are asked for, taken and given up. */
import { describe, expect, it, onTestFinished } from 'vitest';
import { forwardedUsbDevice } from '../../../shared/client/open-usb-device.ts';
import type { OpenPort } from '../../../shared/client/open-port.ts';
import type { UsbDeviceShape, UsbInResult, UsbOutResult } from '../../../shared/usb-shapes.ts';
import { openUsbPort, UsbBus } from '../../../simulator/index.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';

const USB = { vendorId: 0x1209, productId: 1, packetHeaderBytes: 0 };

interface Heard {
  /** Text of what came, `|` between messages; `<cut>`, `<stalled>`, `<lost: …>` at their place. */
  readonly log: string[];
  readonly timesMs: number[];
}

async function opened(device: UsbDeviceShape, clock = new ManualClock(), usb: Parameters<ReturnType<typeof forwardedUsbDevice>['prepare']>[0] = { type: 'open-usb', usb: USB }): Promise<Heard & { readonly port: OpenPort }> {
  const log: string[] = [];
  const timesMs: number[] = [];
  const port = forwardedUsbDevice({ device, bus: new UsbBus() }).prepare(usb, {
    bytes: (data, atMs) => {
      log.push(Buffer.from(data).toString('latin1'));
      timesMs.push(atMs);
    },
    cut: (name) => log.push(`<cut: ${name}>`),
    stalled: () => log.push('<stalled>'),
    lost: (message) => log.push(`<lost: ${message}>`),
  }, clock);
  await port.open();
  port.start();
  onTestFinished(() => port.close());
  await breathe();
  return { port, log, timesMs };
}

/** A device whose transfers end when the test says so. */
function scripted(out: (data: Uint8Array) => Promise<UsbOutResult> = async (data) => ({ status: 'ok', bytesWritten: data.length })) {
  const waiting: { end(result: UsbInResult): void; fail(error: Error): void }[] = [];
  const calls: string[] = [];
  const done = (name: string) => async (): Promise<void> => void calls.push(name);
  const endpoints = [
    { endpointNumber: 1, direction: 'in', type: 'bulk', packetSize: 64 }, { endpointNumber: 2, direction: 'out', type: 'bulk', packetSize: 64 },
  ] as const;
  const device: UsbDeviceShape = {
    vendorId: 0x1209, productId: 1, opened: false, open: done('open'), close: done('close'), selectConfiguration: done('select'), claimInterface: done('claim'), releaseInterface: done('release'),
    configuration: { configurationValue: 1, interfaces: [{ interfaceNumber: 0, alternate: { alternateSetting: 0, interfaceClass: 255, endpoints } }] },
    transferIn: () => new Promise((resolve, reject) => waiting.push({ end: resolve, fail: reject })),
    transferOut: (_endpoint, data) => out(data),
    clearHalt: async (direction) => void calls.push(`clear ${direction}`),
  };
  return { device, waiting, calls };
}
const packet = (bytes: string): UsbInResult => ({ status: 'ok', data: new DataView(Uint8Array.from(Buffer.from(bytes)).buffer) });

describe('a WebUSB device at a page', () => {
  it('has four requests at a time, whose packets are taken in their order, each at its time', async () => {
    const clock = new ManualClock();
    const { device, waiting } = scripted();
    const { log, timesMs } = await opened(device, clock);
    expect(waiting.length).toBe(4);
    const beginMs = clock.monoMs();
    for (const [after, index, text] of [[10, 0, 'A'], [10, 2, 'C'], [10, 1, 'B']] as const) {
      clock.advance(after);
      waiting[index]!.end(packet(text));
      await breathe();
    }
    expect([log, timesMs.map((atMs) => atMs - beginMs)]).toEqual([['A', 'B', 'C'], [10, 30, 20]]);
    expect(waiting.length).toBe(7);
  });

  it('clears a halt once for all requests that met it, and keeps what came beside it', async () => {
    const { device, waiting, calls } = scripted();
    const { log } = await opened(device);
    waiting[0]!.end(packet('A'));
    waiting[1]!.end({ status: 'stall' });
    waiting[2]!.end(packet('B'));
    await breathe();
    expect([log, calls, waiting.length]).toEqual([['A', 'B'], ['open', 'claim'], 5]);
    waiting[3]!.end({ status: 'stall' });
    waiting[4]!.end({ status: 'stall' });
    await breathe();
    waiting[5]!.end(packet('C'));
    await breathe();
    expect([log, calls]).toEqual([['A', 'B', '<stalled>', 'C'], ['open', 'claim', 'clear in']]);
  });

  it('hands over nothing behind a transfer that failed, and lets the device go once', async () => {
    const { device, waiting, calls } = scripted();
    const { log, port } = await opened(device);
    waiting[2]!.end(packet('C'));
    waiting[1]!.fail(new DOMException('A transfer error has occurred.', 'NetworkError'));
    waiting[0]!.end(packet('A'));
    await breathe();
    await port.close();
    expect(log).toEqual(['A', '<lost: reading the device failed: A transfer error has occurred.>']);
    expect(calls).toEqual(['open', 'claim', 'release', 'close']);
  });

  it('marks the place of a packet that was too long, and reads on', async () => {
    const { device, waiting } = scripted();
    const { log } = await opened(device);
    waiting[0]!.end(packet('A'));
    waiting[1]!.end({ status: 'babble' });
    waiting[2]!.end(packet('C'));
    await breathe();
    expect([log, waiting.length]).toEqual([['A', '<cut: babble>', 'C'], 7]);
  });

  it('asks for nothing while held, and goes on after', async () => {
    const { device, waiting } = scripted();
    const { log, port } = await opened(device);
    port.hold(true);
    [...'ABCD'].forEach((text, i) => waiting[i]!.end(packet(text)));
    await breathe();
    expect([log.join(''), waiting.length]).toEqual(['ABCD', 4]);
    port.hold(false);
    await breathe();
    waiting[4]!.end(packet('E'));
    await breathe();
    expect([log.join(''), waiting.length]).toEqual(['ABCDE', 9]);
  });

  it('puts several packets into a message when there are more than the way has room for, and leaves no rest lying', async () => {
    const clock = new ManualClock();
    const { device, waiting } = scripted();
    const { log, timesMs } = await opened(device, clock);
    // 12 packets in a millisecond, for half a second.
    let sent = '';
    for (let i = 0; i < 6_000; i++) {
      const text = String.fromCharCode(65 + (i % 26));
      sent += text;
      waiting[i]!.end(packet(text));
      for (let turns = 0; waiting.length < i + 5; turns++) {
        expect(turns).toBeLessThan(50);
        await Promise.resolve();
      }
      if (i % 12 === 11) clock.advance(1);
    }
    expect(sent.startsWith(log.join(''))).toBe(true);
    // The first 2000 at once, then two in each of 500 ms.
    expect(log.length).toBeGreaterThan(2_000);
    expect(log.length).toBeLessThanOrEqual(3_001);
    clock.advance(5);
    expect(log.join('')).toBe(sent);
    expect(timesMs).toEqual(timesMs.toSorted((a, b) => a - b));
  });

  it('writes in order and in pieces, once more after a halt, and says how far it came', async () => {
    const taken: number[] = [];
    let halts = 0;
    const { device, calls } = scripted(async (data) => {
      if (halts > 0) {
        halts--;
        return { status: 'stall', bytesWritten: 0 };
      }
      taken.push(data.length);
      return { status: 'ok', bytesWritten: data.length };
    });
    const { port, log } = await opened(device);
    await Promise.all([port.write(new Uint8Array(5_000)), port.write(new Uint8Array(3))]);
    expect(taken).toEqual([4_096, 904, 3]);
    halts = 1;
    await port.write(new Uint8Array(7));
    expect([taken.at(-1), log, calls.at(-1)]).toEqual([7, ['<stalled>'], 'clear out']);
    halts = 2;
    await expect(port.write(new Uint8Array(8))).rejects.toThrow('the device took 0 of 8 bytes, then none (stall)');
    await port.close();
    await expect(port.write(new Uint8Array(1))).rejects.toThrow('the device is not open');
  });

  it('is not opened a second time by the same page, nor as a serial port', async () => {
    const bus = new UsbBus();
    const device = openUsbPort({ bus });
    await opened(device.device!);
    await expect(opened(device.device!)).rejects.toMatchObject({ name: 'InvalidStateError' });
    expect(device.device!.opened).toBe(true);
    const line = { baudRate: 9_600, dataBits: 8, parity: 'none', stopBits: 1, flowControl: 'none', dtr: null, rts: null } as const;
    await expect(opened(device.device!, new ManualClock(), { type: 'open', line })).rejects.toThrow('this page has a USB device');
  });

  it('closed while it is being opened, is let go when it is open', async () => {
    const { device, calls } = scripted();
    const port = forwardedUsbDevice({ device, bus: new UsbBus() }).prepare({ type: 'open-usb', usb: USB }, { bytes: () => {}, cut: () => {}, stalled: () => {}, lost: () => {} }, new ManualClock());
    const opening = port.open();
    await port.close();
    await opening;
    expect(calls).toEqual(['open', 'claim', 'release', 'close']);
  });
});
