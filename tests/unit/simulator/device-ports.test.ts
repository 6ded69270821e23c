import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { scenarioSettings } from '../../../daemon/commands/scenario-settings.ts';
import { linkOpener } from '../../../daemon/devices/open-link.ts';
import { LinkSettings } from '../../../daemon/settings/schema.ts';
import { systemClock } from '../../../shared/clock.ts';
import { HidBus, loadScenario, openHidPort, openUsbPort, parseScenario, startScenario, UsbBus, type SimulatedUsbDevice } from '../../../simulator/index.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const LINKS = {
  usb: { kind: 'usb', vendorId: '1209', productId: '0001' },
  hid: { kind: 'hid', vendorId: '1209', productId: '0002', payload: { offset: 1, lengthByte: 0 }, output: { offset: 1, lengthByte: 0 } },
};

const nameOf = (promise: Promise<unknown>): Promise<string> => promise.then(() => 'none', (error: Error) => error.name);

describe('a simulated USB device, by the text of the standard', () => {
  it('refuses what does not fit its state, under the standard\'s names', async () => {
    const bus = new UsbBus();
    const port = openUsbPort({ bus, isConfigured: false });
    const device = port.device!;
    expect(await nameOf(device.claimInterface(0))).toBe('InvalidStateError');
    expect(await nameOf(device.selectConfiguration(1))).toBe('InvalidStateError');
    await device.open();
    await device.open();
    expect([device.opened, device.configuration]).toEqual([true, null]);
    expect(await nameOf(device.claimInterface(0))).toBe('InvalidStateError');
    expect(await nameOf(device.selectConfiguration(2))).toBe('NotFoundError');
    await device.selectConfiguration(1);
    expect(await nameOf(device.claimInterface(1))).toBe('NotFoundError');
    expect(await nameOf(device.transferIn(1, 64))).toBe('InvalidStateError');
    await device.claimInterface(0);
    expect(device.configuration!.interfaces[0]).toMatchObject({ interfaceNumber: 0, claimed: true });
    expect(await nameOf(device.transferIn(3, 64))).toBe('NotFoundError');
    expect(await nameOf(device.clearHalt('out', 1))).toBe('NotFoundError');
    const waiting = nameOf(device.transferIn(1, 64));
    await device.releaseInterface(0);
    expect(await waiting).toBe('AbortError');
    await device.claimInterface(0);
    const again = nameOf(device.transferIn(1, 64));
    await port.unplug();
    expect([await again, await nameOf(device.open()), await nameOf(device.transferIn(1, 64))]).toEqual(['NetworkError', 'NotFoundError', 'NotFoundError']);
  });

  it('tells of plugs, and is another object after each', async () => {
    const bus = new UsbBus();
    const told: [string, SimulatedUsbDevice][] = [];
    for (const type of ['connect', 'disconnect'] as const) bus.addEventListener(type, ({ device }) => told.push([type, device]));
    const port = openUsbPort({ bus });
    const first = port.device!;
    await port.unplug();
    await port.replug();
    expect(told).toEqual([['connect', first], ['disconnect', first], ['connect', port.device]]);
    expect(port.device).not.toBe(first);
    expect(await bus.getDevices()).toEqual([port.device]);
  });

  it('ends a transfer with a short packet or when enough came, and babbles when a packet does not fit', async () => {
    const bus = new UsbBus();
    const port = openUsbPort({ bus, packetSize: 8 });
    const device = port.device!;
    await device.open();
    await device.claimInterface(0);
    const read = async (length: number): Promise<string> => {
      const { status, data } = await device.transferIn(1, length);
      return `${status} ${Buffer.from(data!.buffer).toString()}`;
    };
    port.write(Buffer.from('01234567abcdefgh89'));
    expect([await read(16), await read(16)]).toEqual(['ok 01234567abcdefgh', 'ok 89']);
    const two = [read(8), read(8)];
    port.write(Buffer.from('ABCDEFGHIJ'));
    expect(await Promise.all(two)).toEqual(['ok ABCDEFGH', 'ok IJ']);
    port.write(Buffer.from('12345'));
    expect(await read(4)).toBe('babble ');
    expect(port.counters).toMatchObject({ writtenBytes: 33, unheardBytes: 5 });
  });
});

describe('every byte is accounted for', () => {
  it.each(['usb', 'hid'] as const)('on %s, whatever happens', async (kind) => {
    const step = fc.oneof(
      fc.record({ do: fc.constant('write' as const), size: fc.integer({ min: 0, max: 700 }) }),
      fc.record({ do: fc.constantFrom('open' as const, 'close' as const, 'unplug' as const, 'replug' as const, 'wait' as const, 'stall' as const, 'babble' as const) }),
    );
    await fc.assert(fc.asyncProperty(fc.array(step, { maxLength: 30 }), async (steps) => {
      const usb = new UsbBus();
      const hid = new HidBus();
      const port = kind === 'usb' ? openUsbPort({ bus: usb, maxBacklogBytes: 2_000 }) : openHidPort({ bus: hid });
      const open = linkOpener(LinkSettings.parse(LINKS[kind]), null, { usb: async () => usb, hid: async () => hid });
      let link: Awaited<ReturnType<typeof open>> | null = null;
      let heard = 0;
      for (const entry of steps) {
        if (entry.do === 'write') port.write(new Uint8Array(entry.size));
        else if (entry.do === 'open') {
          if (link) continue;
          link = await open({ clock: systemClock, signal: new AbortController().signal }).catch(() => null);
          link?.listen(({ data }) => { heard += data.length; });
          void link?.ended.then(() => { link = null; });
        } else if (entry.do === 'close') await link?.close();
        else if (entry.do === 'unplug') await port.unplug();
        else if (entry.do === 'replug') await port.replug();
        else if (entry.do === 'stall' || entry.do === 'babble') { if ('stall' in port) port[entry.do](); }
        else await breathe();
      }
      await breathe();
      const { writtenBytes, overrunBytes, unheardBytes } = port.counters;
      const carried = writtenBytes - overrunBytes - unheardBytes - port.backlogBytes;
      expect(carried).toBeGreaterThanOrEqual(heard);
      // What was handed to the host while its link ended is the host's loss: at most the packets that it had asked for.
      const ends = steps.filter((entry) => entry.do === 'close' || entry.do === 'unplug' || entry.do === 'babble').length;
      expect(carried - heard).toBeLessThanOrEqual(ends * 64 * (kind === 'usb' ? 4 : 1));
      await port.close();
    }), { numRuns: 80, seed: 3 });
  });
});
describe('a scenario', () => {
  it('runs on ports that are given from code', async () => {
    const bus = new UsbBus();
    const scenario = loadScenario('single-click-wrench');
    const [plan] = scenario.instruments;
    const run = await startScenario(scenario, { port: (id) => (id === plan!.id ? openUsbPort({ bus, serialNumber: 'HF-U0042' }) : null) });
    try {
      const { link } = scenarioSettings(run).instruments[0]!;
      expect(link).toMatchObject({ kind: 'usb', vendorId: '1209', productId: '0001', serialNumber: 'HF-U0042' });
      const open = linkOpener(link, null, { usb: async () => bus, hid: () => Promise.reject(new Error('not here')) });
      const opened = await open({ clock: systemClock, signal: new AbortController().signal });
      let text = '';
      opened.listen(({ data }) => { text += Buffer.from(data).toString(); });
      await opened.write(Buffer.from('START\r\n'));
      await waitUntil(() => text.split('\r\n').length > 100, 'a hundred lines');
      expect(text.split('\r\n').slice(1, -1).every((line) => /^-?\d+\.\d+/.test(line))).toBe(true);
      await opened.close();
    } finally {
      await run.stop();
    }
    expect(await bus.getDevices()).toEqual([]);
  });

  it.each(['usb', 'hid'])('file cannot ask for %s, which no other process could reach, and says where it can be had', (port) => {
    const text = `title: A\ninstruments:\n  - id: a\n    title: A\n    port: ${port}\n    channels: []\n`;
    expect(() => parseScenario(text, 's.yaml')).toThrow(`a simulated ${port.toUpperCase()} device cannot be reached from another process; give its port from code (startScenario, option port)`);
  });
});
