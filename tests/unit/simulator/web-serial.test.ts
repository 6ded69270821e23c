/** The simulated port does what the text of the W3C Web Serial API says. */
import { describe, expect, it } from 'vitest';
import { openWebSerialPort, SimulatedSerial } from '../../../simulator/index.ts';

const text = (bytes: Uint8Array | undefined): string => new TextDecoder().decode(bytes);
const bytes = (of: string): Uint8Array => new TextEncoder().encode(of);

describe('the simulated Web Serial port', () => {
  it.each([
    [{ baudRate: 0 }, 'baudRate'], [{ baudRate: 9_600, dataBits: 9 }, 'dataBits'], [{ baudRate: 9_600, stopBits: 3 }, 'stopBits'],
    [{ baudRate: 9_600, parity: 'mark' }, 'parity'], [{ baudRate: 9_600, bufferSize: 0 }, 'bufferSize'], [{ baudRate: 9_600, flowControl: 'xon' }, 'flowControl'],
  ])('refuses to open with %j', async (options, word) => {
    await expect(openWebSerialPort().port.open(options)).rejects.toThrow(word);
  });

  it('opens once, has streams while it is open only, and closes when nobody holds them', async () => {
    const { port } = openWebSerialPort();
    expect([port.readable, port.writable]).toEqual([null, null]);
    await port.open({ baudRate: 9_600 });
    await expect(port.open({ baudRate: 9_600 })).rejects.toMatchObject({ name: 'InvalidStateError' });
    expect(port.readable).toBe(port.readable);
    const reader = port.readable!.getReader();
    await expect(port.close()).rejects.toThrow(TypeError);
    await reader.cancel();
    reader.releaseLock();
    await port.close();
    expect([port.readable, port.writable]).toEqual([null, null]);
    await expect(port.close()).rejects.toMatchObject({ name: 'InvalidStateError' });
    await port.open({ baudRate: 9_600 });
  });

  it.each(['BreakError', 'FramingError', 'ParityError'] as const)('a %s comes at its place among the bytes, and a new stream goes on', async (name) => {
    const device = openWebSerialPort();
    const { port } = device;
    await port.open({ baudRate: 9_600 });
    device.write(bytes('before'));
    device.fail(name);
    device.write(bytes('after'));
    const first = port.readable!;
    const reader = first.getReader();
    expect(text((await reader.read()).value)).toBe('before');
    await expect(reader.read()).rejects.toMatchObject({ name });
    reader.releaseLock();
    expect(port.readable).not.toBe(first);
    expect(text((await port.readable!.getReader().read()).value)).toBe('after');
  });

  it('loses what does not fit its buffer, counts it, and says so', async () => {
    const device = openWebSerialPort();
    const { port } = device;
    await port.open({ baudRate: 9_600, bufferSize: 8 });
    device.write(bytes('0123456789ab'));
    expect(device.counters).toMatchObject({ writtenBytes: 12, overrunBytes: 4 });
    const reader = port.readable!.getReader();
    expect(text((await reader.read()).value)).toBe('01234567');
    await expect(reader.read()).rejects.toMatchObject({ name: 'BufferOverrunError' });
  });

  it('when the device goes, streams end with NetworkError and there are no new ones', async () => {
    const device = openWebSerialPort();
    const { port } = device;
    await port.open({ baudRate: 9_600 });
    const events: string[] = [];
    for (const kind of ['connect', 'disconnect']) port.addEventListener(kind, () => events.push(kind));
    const reader = port.readable!.getReader();
    const writer = port.writable!.getWriter();
    device.beDeaf(true);
    const write = writer.write(bytes('x'));
    write.catch(() => {});
    writer.closed.catch(() => {});
    const read = reader.read();
    await Promise.all([expect(read).rejects.toMatchObject({ name: 'NetworkError' }), device.unplug()]);
    await expect(write).rejects.toMatchObject({ name: 'NetworkError' });
    expect([port.readable, port.writable, port.connected]).toEqual([null, null, false]);
    reader.releaseLock();
    writer.releaseLock();
    await port.close();
    await expect(port.open({ baudRate: 9_600 })).rejects.toMatchObject({ name: 'NetworkError' });
    await device.replug();
    await port.open({ baudRate: 9_600 });
    expect(events).toEqual(['disconnect', 'connect']);
  });

  it('sets signals while open, writes in order, and every byte is accounted for', async () => {
    const device = openWebSerialPort();
    const { port } = device;
    await expect(port.setSignals({ dataTerminalReady: true })).rejects.toMatchObject({ name: 'InvalidStateError' });
    device.write(bytes('nobody'));
    await port.open({ baudRate: 9_600 });
    await expect(port.setSignals({})).rejects.toThrow(TypeError);
    await port.setSignals({ dataTerminalReady: true });
    expect(device.signals).toMatchObject({ dataTerminalReady: true });
    const came: string[] = [];
    device.onData((data) => came.push(text(data)));
    const writer = port.writable!.getWriter();
    await Promise.all([writer.write(bytes('one')), writer.write(bytes('two'))]);
    expect(came).toEqual(['one', 'two']);
    device.write(bytes('left'));
    writer.releaseLock();
    await port.close();
    expect(device.counters).toEqual({ writtenBytes: 10, overrunBytes: 0, unheardBytes: 10, receivedBytes: 6 });
  });

  it('is found by what a person chose, and granted from then on', async () => {
    const [one, two] = [openWebSerialPort({ usbVendorId: 1 }), openWebSerialPort({ usbVendorId: 2 })];
    const serial = new SimulatedSerial([one.port, two.port]);
    const gone: unknown[] = [];
    serial.addEventListener('disconnect', (event) => gone.push(event.target));
    expect(await serial.getPorts()).toEqual([]);
    serial.choose = () => null;
    await expect(serial.requestPort()).rejects.toMatchObject({ name: 'NotFoundError' });
    serial.choose = (ports) => ports[1]!;
    expect((await serial.requestPort()).getInfo()).toEqual({ usbVendorId: 2 });
    expect(await serial.getPorts()).toEqual([two.port]);
    await Promise.all([one.unplug(), two.unplug()]);
    expect(gone).toEqual([two.port]);
    expect(await serial.getPorts()).toEqual([]);
  });
});
