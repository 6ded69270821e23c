import { describe, expect, it } from 'vitest';
import { createInstrumentSet, type InstrumentSet } from '../../../daemon/devices/instrument-set.ts';
import { Settings } from '../../../daemon/settings/schema.ts';
import { findDriver } from '../../../drivers/registry.ts';
import { linkOpener } from '../../../daemon/devices/open-link.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { UsbPort } from '../../../simulator/index.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { seeded } from '../../helpers/seeded.ts';
import { usbBench } from '../../helpers/usb-bench.ts';

/** An instrument on a simulated device that sends a line each 10 ms while it is plugged in. */
function bench(kind: 'usb' | 'hid') {
  const clock = new ManualClock();
  const devices = usbBench();
  const { port, link } = devices.plug(kind, 'HF-0042');
  const { instruments } = Settings.parse({ instruments: [{
    id: 'bench-a', link, driver: { id: 'ascii-lines' }, channels: [{ sampleRateHz: 100, transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }],
  }] });
  const set: InstrumentSet = createInstrumentSet(instruments, {
    clock, random: seeded(1), findDriver, openLink: (settings) => linkOpener(settings, null, devices.sources), deviceStamp: (settings) => devices.stamp(settings),
  });
  const instrument = set.instruments[0]!;
  const pass = async (ms: number): Promise<void> => {
    for (let passed = 0; passed < ms; passed += 10) {
      clock.advance(10);
      port.write(Buffer.from('12.50\r\n'));
      await breathe();
    }
  };
  /** Time until that state, ms. */
  const until = async (state: string): Promise<number> => {
    for (let passed = 0; passed < 10_000; passed += 10) {
      if (instrument.info().state === state) return passed;
      await pass(10);
    }
    throw new Error(`never ${state}, but ${JSON.stringify(instrument.info())}`);
  };
  return { clock, devices, port, set, instrument, pass, until };
}

describe.each(['usb', 'hid'] as const)('an instrument on %s', (kind) => {
  const label = `${kind.toUpperCase()} 1209:000${kind === 'usb' ? 1 : 2}, serial number HF-0042`;

  it('streams, is absent while it is unplugged, and streams again within 2 s of being plugged in', async () => {
    const { set, instrument, port, pass, until } = bench(kind);
    let samples = 0;
    instrument.blocks$.subscribe(({ device }) => { samples += device.length; });
    set.start();
    await until('streaming');
    await pass(1_000);
    expect(samples).toBeGreaterThan(50);
    expect(instrument.info()).toMatchObject({ link: label, linkKind: kind, epoch: 1 });
    const stalls = (): number | undefined => set.counters().get('torsiond_instrument_link_disturbances_total{instrument="bench-a"}');
    if (port instanceof UsbPort) {
      port.stall(2);
      await pass(100);
    }
    expect([instrument.info().state, stalls()]).toEqual(['streaming', kind === 'usb' ? 2 : 0]);

    for (let epoch = 2; epoch < 5; epoch++) {
      await port.unplug();
      await breathe();
      expect(instrument.info()).toMatchObject({ state: 'waiting', fault: { code: 'LINK_LOST', where: label } });
      expect(await until('absent')).toBeLessThanOrEqual(1_010);
      await pass(epoch * 7_000);
      expect(instrument.info()).toMatchObject({ state: 'absent', fault: { code: 'LINK_LOST' } });
      await port.replug();
      expect(await until('streaming')).toBeLessThan(2_000);
      const before = samples;
      await pass(500);
      expect(samples).toBeGreaterThan(before + 25);
      expect(instrument.info()).toMatchObject({ epoch, fault: null });
    }
    expect(stalls()).toBe(kind === 'usb' ? 2 : 0);
    await set.stop();
  });

  it('that comes later than the gateway is opened when it comes, and what was looked for is said until then', async () => {
    const { set, instrument, port, pass, until } = bench(kind);
    await port.unplug();
    set.start();
    await pass(3_000);
    const { state, fault } = instrument.info();
    expect([state, fault?.code, fault?.message, fault?.where]).toEqual(['absent', 'LINK_NOT_FOUND', 'no such device is plugged in', label]);
    expect(fault?.hint).toBe(`Looked for ${label}. Plug it in, or run "torsiond ports" to see what is there.`);
    await port.replug();
    expect(await until('streaming')).toBeLessThan(2_000);
    await set.stop();
  });

  it('that is plugged in again so fast that nobody saw it missing is opened anew', async () => {
    const { set, instrument, port, until } = bench(kind);
    set.start();
    await until('streaming');
    await port.unplug();
    await port.replug();
    await breathe();
    expect(await until('streaming')).toBeLessThan(2_000);
    expect(instrument.info().epoch).toBe(2);
    await set.stop();
  });
});

describe('twins that the settings do not tell apart', () => {
  it('wait for a person, and for one of them to go', async () => {
    const clock = new ManualClock();
    const devices = usbBench();
    devices.plug('usb', 'HF-A');
    const second = devices.plug('usb', 'HF-B');
    const { instruments } = Settings.parse({ instruments: [{
      id: 'bench-a', link: { kind: 'usb', vendorId: '1209', productId: '0001' }, driver: { id: 'ascii-lines' }, channels: [{ transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }],
    }] });
    const set = createInstrumentSet(instruments, {
      clock, random: seeded(1), findDriver, openLink: (settings) => linkOpener(settings, null, devices.sources), deviceStamp: (settings) => devices.stamp(settings),
    });
    const pass = async (ms: number): Promise<void> => {
      for (let passed = 0; passed < ms; passed += 10) {
        clock.advance(10);
        await breathe();
      }
    };
    set.start();
    await pass(60_000);
    expect(set.instruments[0]!.info()).toMatchObject({ state: 'needs-attention', epoch: 0, fault: { code: 'LINK_AMBIGUOUS' } });
    await second.port.unplug();
    await pass(1_000);
    expect(set.instruments[0]!.info()).toMatchObject({ state: 'streaming', epoch: 1 });
    await set.stop();
  });
});

describe('a machine that cannot reach USB', () => {
  it.each([
    ['the bus cannot be looked at', () => Promise.reject(new Error('ENOENT'))],
    ['no device is there', () => Promise.resolve(null)],
  ])('says so, also when %s, and does not send anybody to plug it in', async (_, deviceStamp) => {
    const clock = new ManualClock();
    const { instruments } = Settings.parse({ instruments: [{
      id: 'bench-a', link: { kind: 'usb', vendorId: '1209', productId: '0001' }, driver: { id: 'ascii-lines' }, channels: [{ transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }],
    }] });
    const none = new TorsiondError('LINK_UNSUPPORTED', 'this machine shows no USB bus');
    const set = createInstrumentSet(instruments, {
      clock, random: seeded(1), findDriver,
      openLink: (settings) => linkOpener(settings, null, { usb: () => Promise.reject(none), hid: () => Promise.reject(none) }),
      deviceStamp,
    });
    set.start();
    for (let i = 0; i < 300; i++) {
      clock.advance(10);
      await breathe();
    }
    expect(set.instruments[0]!.info()).toMatchObject({ state: 'needs-attention', fault: { code: 'LINK_UNSUPPORTED' } });
    await set.stop();
  });
});
