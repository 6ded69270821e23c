import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ByteChunk, ByteLink } from '../../../../drivers/links/link.ts';
import { openUsbLink, type UsbLinkOptions } from '../../../../drivers/links/usb-link.ts';
import type { UsbDeviceShape, UsbSource } from '../../../../shared/usb-shapes.ts';
import { TorsiondError } from '../../../../shared/errors.ts';
import { openUsbPort, UsbBus, type UsbEndpoint, type UsbPort, type UsbPortOptions } from '../../../../simulator/index.ts';
import { breathe } from '../../../helpers/instrument-bench.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

interface Bench {
  readonly clock: ManualClock;
  readonly bus: UsbBus;
  readonly port: UsbPort;
  open(options?: Partial<UsbLinkOptions>, source?: UsbSource): Promise<ByteLink>;
}

function bench(kind: Omit<UsbPortOptions, 'bus'> = {}): Bench {
  const clock = new ManualClock();
  const bus = new UsbBus();
  return {
    clock, bus, port: openUsbPort({ bus, ...kind }),
    open: (options = {}, source = bus) => openUsbLink({ vendorId: '1209', productId: '0001', packetHeaderBytes: 0, ...options }, source, { clock, signal: new AbortController().signal }),
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

describe('which device', () => {
  it('twins are refused with what tells them apart, and found by serial number', async () => {
    const { bus, open } = bench({ serialNumber: 'HF-A', place: '1-2' });
    const second = openUsbPort({ bus, serialNumber: 'HF-B', place: '1-3.1' });
    const error = await refusal(open());
    expect(error.code).toBe('LINK_AMBIGUOUS');
    expect(error.message).toBe('2 such devices are plugged in: serial number HF-A in socket 1-2; serial number HF-B in socket 1-3.1');
    const link = await open({ serialNumber: 'HF-B' });
    expect(link.label).toBe('USB 1209:0001, serial number HF-B');
    expect(second.device!.opened).toBe(true);
    await link.close();
  });

  it('twins without serial numbers are told apart by their sockets', async () => {
    const { bus, open, port } = bench({ serialNumber: null, place: '1-2' });
    openUsbPort({ bus, serialNumber: null, place: '1-4' });
    expect((await refusal(open())).message).toContain('one without serial number in socket 1-2; one without serial number in socket 1-4');
    const link = await open({ place: '1-2' });
    expect(port.device!.opened).toBe(true);
    await link.close();
  });

  it('devices with other ids are left alone: asking them for a serial number can open them', async () => {
    const { bus, open } = bench();
    const foreign = { ...openUsbPort({ bus: new UsbBus(), productId: 2 }).device!, vendorId: 0x1209, productId: 2, get serialNumber(): string {
      throw new Error('it was asked');
    } };
    const source: UsbSource = { getDevices: async () => [foreign as unknown as UsbDeviceShape, ...(await bus.getDevices())] };
    await (await open({}, source)).close();
    expect((await refusal(open({ vendorId: '1209', productId: '0003' }, source))).code).toBe('LINK_NOT_FOUND');
  });

  it('one that is not there is named, with its kin', async () => {
    const { open } = bench({ serialNumber: 'HF-A', place: '1-2' });
    const error = await refusal(open({ serialNumber: 'HF-Z' }));
    expect(error).toMatchObject({ code: 'LINK_NOT_FOUND', where: 'USB 1209:0001, serial number HF-Z', message: 'no such device is plugged in; of the same ids there are serial number HF-A in socket 1-2' });
    expect(error.hint).toContain('Looked for USB 1209:0001, serial number HF-Z');
    expect((await refusal(open({ vendorId: 'ABCD' }))).message).toBe('no such device is plugged in');
  });
});

describe('which endpoints', () => {
  const endpoint = (endpointNumber: number, direction: 'in' | 'out', packetSize = 64): UsbEndpoint => ({ endpointNumber, direction, type: 'bulk', packetSize });

  it('a choice of interfaces is refused with the list of them', async () => {
    const { open, port } = bench({ otherInterfaces: [{ interfaceNumber: 1, interfaceClass: 255, endpoints: [endpoint(5, 'in', 512)] }] });
    const error = await refusal(open());
    expect(error.code).toBe('LINK_SETTINGS');
    expect(error.message).toBe('several interfaces can be read, so the settings must name one (interface); the device has '
      + 'interface 0: bulk in 1 (64 bytes), bulk out 2 (64 bytes); interface 1: bulk in 5 (512 bytes)');
    expect(port.device!.opened).toBe(false);
    const link = await open({ interface: 0 });
    const chunks = heard(link);
    port.write(Buffer.from('12.5'));
    await breathe();
    expect(text(chunks)).toBe('12.5');
    await link.close();
    expect((await refusal(open({ interface: 4 }))).message).toContain('there is no interface 4');
    expect((await refusal(open({ interface: 0, inEndpoint: 2 }))).message).toContain('interface 0 has no bulk or interrupt endpoint 2 in');
    expect((await refusal(open({ interface: 0, packetHeaderBytes: 64 }))).message).toBe('packetHeaderBytes is 64, but a packet has 64 bytes');
  });

  it('an endpoint that is only to be read refuses writes', async () => {
    const { open } = bench({ outEndpoint: null });
    const link = await open();
    expect((await refusal(link.write(Uint8Array.of(1)))).code).toBe('LINK_UNSUPPORTED');
    await link.close();
  });
});

describe('what a device may refuse', () => {
  it.each([
    ['open', new DOMException('Access denied.', 'SecurityError'), 'LINK_PERMISSION'],
    ['open', new Error('open error: permission denied (errno 13)'), 'LINK_PERMISSION'],
    ['open', new Error('open error: something else'), 'LINK_OPEN_FAILED'],
    ['claim', new DOMException('Unable to claim interface.', 'NetworkError'), 'LINK_BUSY'],
    ['claim', new Error('claimInterface error: interface is busy'), 'LINK_BUSY'],
    ['claim', new DOMException('The device was disconnected.', 'NotFoundError'), 'LINK_NOT_FOUND'],
  ] as const)('%s: %s', async (step, reason, code) => {
    const { open, port } = bench();
    port.refuse(step, reason);
    const error = await refusal(open());
    expect([error.code, error.cause]).toEqual([code, reason]);
    expect(port.device!.opened).toBe(false);
    port.refuse(step, null);
    await (await open()).close();
  });

  it('a bus that cannot be listed', async () => {
    const { open } = bench();
    expect((await refusal(open({}, { getDevices: () => Promise.reject(new Error('no bus')) }))).code).toBe('LINK_OPEN_FAILED');
  });
});

describe('what a transfer may bring', () => {
  it('packets come whole, each with its time, and empty ones are no data', async () => {
    const { clock, open, port } = bench({ packetSize: 8 });
    const link = await open();
    const chunks = heard(link);
    for (const part of ['123', '45678901', '2345678901234567']) {
      clock.advance(10);
      port.write(Buffer.from(part));
      port.sendEmptyPacket();
      await breathe();
    }
    expect(chunks.map(({ data, atMs }) => [Buffer.from(data).toString(), atMs])).toEqual([['123', 1_010], ['45678901', 1_020], ['23456789', 1_030], ['01234567', 1_030]]);
    await link.close();
  });

  it('bytes that a bridge chip puts before each packet are taken off', async () => {
    const { open, port } = bench({ packetSize: 8, packetHeader: Uint8Array.of(1, 0x60) });
    const link = await open({ packetHeaderBytes: 2 });
    const chunks = heard(link);
    port.sendEmptyPacket();
    port.write(Buffer.from('0123456789'));
    await breathe();
    expect(chunks.map(({ data }) => Buffer.from(data).toString())).toEqual(['012345', '6789']);
    await link.close();
  });

  it('a stall is cleared and reading goes on, three times in a row', async () => {
    const { open, port } = bench();
    const link = await open();
    const chunks = heard(link);
    for (let i = 0; i < 5; i++) {
      port.stall(3);
      port.write(Buffer.from(`${i};`));
      await breathe();
      await breathe();
    }
    expect(text(chunks)).toBe('0;1;2;3;4;');
    expect(link.disturbances!()).toBe(15);
    await link.close();
  });

  it('a device that stalls now and then is not broken, though it sends nothing but empty packets between', async () => {
    const { open, port } = bench({ packetHeader: Uint8Array.of(1, 0x60) });
    const link = await open({ packetHeaderBytes: 2 });
    const chunks = heard(link);
    for (let i = 0; i < 5; i++) {
      port.stall();
      port.sendEmptyPacket();
      await breathe();
    }
    port.write(Buffer.from('12.5'));
    await breathe();
    expect(text(chunks)).toBe('12.5');
    await link.close();
  });

  it('a device that stalls for ever is lost', async () => {
    const { open, port } = bench();
    const link = await open();
    port.stall(4);
    await breathe();
    expect(await lossOf(link)).toMatchObject({ code: 'LINK_LOST', message: 'the device stalled 4 times in a row' });
  });

  it('babble ends the link, because bytes are missing', async () => {
    const { open, port } = bench();
    const link = await open();
    const chunks = heard(link);
    port.babble();
    port.write(Buffer.from('lost'));
    const error = await lossOf(link);
    expect([error.code, error.message, chunks.length]).toEqual(['LINK_LOST', 'the device sent more than the 64 bytes of a packet (babble), so bytes are missing', 0]);
    expect(port.device!.opened).toBe(false);
  });

  it('a transfer that fails ends the link, and the device can be opened again', async () => {
    const { open, port } = bench();
    const link = await open();
    port.failTransfer();
    expect((await lossOf(link)).message).toBe('reading the device failed: NetworkError: A transfer error has occurred.');
    const next = await open();
    const chunks = heard(next);
    port.write(Buffer.from('again'));
    await breathe();
    expect(text(chunks)).toBe('again');
    await next.close();
  });

  it.each([['with', true], ['without', false]])('an unplugged device is noticed at once %s an event', async (_, hasEvents) => {
    const { bus, open, port } = bench();
    const link = await open({}, hasEvents ? bus : { getDevices: () => bus.getDevices() });
    await port.unplug();
    expect((await lossOf(link)).code).toBe('LINK_LOST');
    await port.replug();
    await (await open()).close();
  });

  it('one that is unplugged while nothing is read is noticed by the list of devices', async () => {
    const { bus, clock, open, port } = bench();
    const link = await open({}, { getDevices: () => bus.getDevices() });
    heard(link);
    link.pause!();
    port.write(Buffer.from('last'));
    await breathe();
    clock.advance(1_000);
    await breathe();
    expect(await Promise.race([link.ended, breathe().then(() => 'open')])).toBe('open');
    await port.unplug();
    clock.advance(1_000);
    expect((await lossOf(link)).message).toBe('the device is no longer there');
  });

  it('a reader that pauses holds back the device, not the memory', async () => {
    const { open, port } = bench({ maxBacklogBytes: 1_000 });
    const link = await open();
    const chunks = heard(link);
    link.pause!();
    for (let i = 0; i < 100; i++) {
      port.write(new Uint8Array(64).fill(i));
      await new Promise((resolve) => setImmediate(resolve));
    }
    expect([chunks.length, port.pendingReads]).toEqual([0, 0]);
    expect(port.backlogBytes).toBeGreaterThan(900);
    const { overrunBytes } = port.counters;
    // Four packets were asked for before the pause.
    expect(overrunBytes).toBe(6_400 - 4 * 64 - port.backlogBytes);
    link.resume!();
    for (let i = 0; i < 40; i++) await new Promise((resolve) => setImmediate(resolve));
    expect(Buffer.concat(chunks.map(({ data }) => data)).length).toBe(6_400 - overrunBytes);
    await link.close();
  });

  it('any bytes in any packets arrive as they were', async () => {
    await fc.assert(fc.asyncProperty(fc.integer({ min: 3, max: 70 }), fc.integer({ min: 0, max: 2 }), fc.boolean(), fc.array(fc.uint8Array({ maxLength: 200 }), { maxLength: 12 }),
      async (packetSize, packetHeaderBytes, endsWithEmptyPacket, writes) => {
        const { open, port } = bench({ packetSize, packetHeader: new Uint8Array(packetHeaderBytes).fill(0xee), endsWithEmptyPacket });
        const link = await open({ packetHeaderBytes });
        const chunks = heard(link);
        for (const bytes of writes) {
          port.write(bytes);
          if (bytes.length % 2 === 0) await breathe();
        }
        while (port.backlogBytes > 0) await breathe();
        await breathe();
        expect(Buffer.concat(chunks.map(({ data }) => data))).toEqual(Buffer.concat(writes));
        await link.close();
        const { writtenBytes, overrunBytes, unheardBytes } = port.counters;
        expect([writtenBytes, overrunBytes, unheardBytes]).toEqual([Buffer.concat(writes).length, 0, 0]);
      }), { numRuns: 60, seed: 1 });
  });
});

describe('writing', () => {
  const received = (port: UsbPort): Buffer[] => {
    const parts: Buffer[] = [];
    port.onData((bytes) => parts.push(Buffer.from(bytes)));
    return parts;
  };

  it('long writes go in pieces, also to a device that takes little at a time', async () => {
    const { open, port } = bench();
    const parts = received(port);
    const link = await open();
    const long = Uint8Array.from({ length: 10_000 }, (_, i) => i % 251);
    await link.write(long);
    expect(parts.map(({ length }) => length)).toEqual([4_096, 4_096, 1_808]);
    port.takeAtMost(700);
    await link.write(long);
    expect(Buffer.concat(parts)).toEqual(Buffer.concat([long, long]));
    await link.close();
  });

  it('one stall is cleared and tried again; a second one refuses the write, not the link', async () => {
    const { open, port } = bench();
    const parts = received(port);
    const link = await open();
    port.stall(1, 'out');
    await link.write(Buffer.from('START'));
    expect(Buffer.concat(parts).toString()).toBe('START');
    port.stall(2, 'out');
    expect(await refusal(link.write(Buffer.from('STOP')))).toMatchObject({ code: 'LINK_WRITE_TIMEOUT', message: 'the device took 0 of 4 bytes, then none (stall)' });
    await link.write(Buffer.from('ZERO'));
    expect(Buffer.concat(parts).toString()).toBe('STARTZERO');
    expect(link.disturbances!()).toBe(3);
    await link.close();
  });

  it('a device that takes nothing ends the link after 2 s, and nothing is sent later', async () => {
    const { clock, open, port } = bench();
    const parts = received(port);
    const link = await open();
    port.hangOut(true);
    const first = refusal(link.write(Buffer.from('A')));
    const second = refusal(link.write(Buffer.from('B')));
    await breathe();
    clock.advance(2_000);
    expect([(await first).code, (await second).code]).toEqual(['LINK_WRITE_TIMEOUT', 'LINK_CLOSED']);
    expect((await lossOf(link)).code).toBe('LINK_WRITE_TIMEOUT');
    port.hangOut(false);
    await (await open()).close();
    expect(parts).toEqual([]);
  });

  it('more than 64 that wait are refused', async () => {
    const { clock, open, port } = bench();
    const link = await open();
    port.hangOut(true);
    const writes = Array.from({ length: 65 }, () => refusal(link.write(Uint8Array.of(1))));
    expect((await writes.at(-1)!).message).toBe('64 writes wait already');
    await breathe();
    clock.advance(2_000);
    expect((await writes[63]!).code).toBe('LINK_CLOSED');
  });

  it('what is under way when the device is unplugged is refused', async () => {
    const { open, port } = bench();
    const link = await open();
    port.hangOut(true);
    const written = refusal(link.write(Uint8Array.of(1)));
    await breathe();
    await port.unplug();
    expect(await written).toMatchObject({ code: 'LINK_LOST', message: 'writing to the device failed: NetworkError: A transfer error has occurred.' });
  });

  it('what was begun has the time to leave when the link is closed', async () => {
    const { open, port } = bench();
    const parts = received(port);
    const link = await open();
    const written = link.write(Buffer.from('STOP'));
    for (let i = 0; i < 5; i++) await Promise.resolve();
    expect(parts).toEqual([]);
    await link.close();
    await written;
    expect(Buffer.concat(parts).toString()).toBe('STOP');
    expect(port.device!.opened).toBe(false);
  });
});
