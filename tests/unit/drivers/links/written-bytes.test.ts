/** Buffers of Node are Uint8Arrays whose `slice` copies nothing; links must not share their memory with anybody. */
import { closeSync, openSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { openHidLink } from '../../../../drivers/links/hid-link.ts';
import { bytesOfReport } from '../../../../drivers/links/hid-reports.ts';
import { createMemoryLink } from '../../../../drivers/links/memory-link.ts';
import { SerialWriter } from '../../../../drivers/links/serial-writer.ts';
import { openUsbLink } from '../../../../drivers/links/usb-link.ts';
import { decodePortBytes, encodePortBytes } from '../../../../shared/wire/port-bytes.ts';
import { HidBus, openHidPort, openUsbPort, UsbBus } from '../../../../simulator/index.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';
import { tempFolder } from '../../../helpers/temp-folder.ts';

const context = (): { clock: ManualClock; signal: AbortSignal } => ({ clock: new ManualClock(), signal: new AbortController().signal });

/** Writes twice, so that one waits, and uses the buffer again at once. */
async function writtenBy(write: (data: Uint8Array) => Promise<void>): Promise<void> {
  const buffer = Buffer.from('START;');
  const first = write(buffer);
  buffer.write('STOP!;');
  const second = write(buffer);
  buffer.fill(0);
  await Promise.all([first, second]);
}

describe('what a link is given to write is the caller\'s again at once', () => {
  it('over USB', async () => {
    const bus = new UsbBus();
    const port = openUsbPort({ bus });
    let received = '';
    port.onData((bytes) => (received += Buffer.from(bytes).toString()));
    const link = await openUsbLink({ vendorId: '1209', productId: '0001', packetHeaderBytes: 0 }, bus, context());
    await writtenBy((data) => link.write(data));
    expect(received).toBe('START;STOP!;');
    await link.close();
  });

  it('over HID', async () => {
    const bus = new HidBus();
    const port = openHidPort({ bus });
    let received = '';
    port.onData((bytes) => (received += Buffer.from(bytes).toString()));
    const layout = { offset: 1, lengthByte: 0 };
    const link = await openHidLink({ vendorId: '1209', productId: '0002', reportId: 0, payload: layout, output: { reportId: 0, bytes: 64, ...layout } }, bus, context());
    await writtenBy((data) => link.write(data));
    expect(received).toBe('START;STOP!;');
    await link.close();
  });

  it('to a serial port', async () => {
    const file = join(tempFolder(), 'port');
    const descriptor = openSync(file, 'w');
    const writer = new SerialWriter(descriptor, { label: 'a port', clock: new ManualClock(), assertOpen: () => {}, lost: () => {} });
    await writtenBy((data) => writer.write(data));
    closeSync(descriptor);
    expect(readFileSync(file, 'utf8')).toBe('START;STOP!;');
  });

  it('in memory, in both directions', async () => {
    const { link, far } = createMemoryLink(new ManualClock());
    await writtenBy((data) => link.write(data));
    expect(Buffer.concat(far.written).toString()).toBe('START;STOP!;');
    const buffer = Buffer.from('12.5');
    far.deliver(buffer);
    buffer.fill(0);
    let heard = '';
    link.listen(({ data }) => (heard += Buffer.from(data).toString()));
    expect(heard).toBe('12.5');
  });
});

describe('what is taken out of a message has memory of its own', () => {
  it('out of a HID report', () => {
    const report = Buffer.from([3, 65, 66, 67, 0]);
    const bytes = bytesOfReport(report, { reportId: 0, payload: { offset: 1, lengthByte: 0 } }, 'HID');
    report.fill(0);
    expect([...bytes]).toEqual([65, 66, 67]);
  });

  it('out of a message of a page\'s port', () => {
    const message = Buffer.from(encodePortBytes({ kind: 'read', connection: 0, number: 0, atMs: 1, data: Uint8Array.of(65, 66) }));
    const { data } = decodePortBytes(message);
    message.fill(0);
    expect([...data]).toEqual([65, 66]);
  });
});
