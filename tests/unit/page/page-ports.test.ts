import { describe, expect, it, onTestFinished } from 'vitest';
import { PagePorts } from '../../../daemon/page/page-ports.ts';
import { systemClock } from '../../../shared/clock.ts';
import { openUsbPort, openWebSerialPort, SimulatedSerial, SimulatedUsb, UsbBus, type WebSerialPort, type WebSerialSimulatedPort } from '../../../simulator/index.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { browserInstrument, INSTRUMENT, memorySockets, portsBench } from '../../helpers/page-port-bench.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const storage = (): { kept: Map<string, string>; getItem(key: string): string | null; setItem(key: string, value: string): void } => {
  const kept = new Map<string, string>();
  return { kept, getItem: (key) => kept.get(key) ?? null, setItem: (key, value) => void kept.set(key, value) };
};

function bench(devices: readonly WebSerialSimulatedPort[], granted: readonly WebSerialPort[] = [], kept = storage()) {
  const { ports: gateway } = portsBench(systemClock);
  const serial = new SimulatedSerial(devices.map(({ port }) => port), granted);
  let opened = 0;
  const WebSocket = new Proxy(memorySockets(gateway, systemClock).WebSocket, { construct: (made, args) => {
    opened++;
    return Reflect.construct(made, args) as object;
  } });
  const ports = new PagePorts({ serial: serial, usb: null, isSecure: true, url: 'http://127.0.0.1/', storage: kept, onChange: () => {}, WebSocket });
  onTestFinished(() => ports.disconnect(INSTRUMENT));
  const kind = (): string => {
    const status = ports.status(INSTRUMENT);
    return status.kind === 'used' ? status.state.kind : status.kind;
  };
  return { ports, serial, kept, kind, isOffered: () => gateway.stamp(INSTRUMENT) !== null, opened: () => opened };
}

const device = (usbVendorId = 0x1209, usbProductId = 1): WebSerialSimulatedPort => openWebSerialPort({ usbVendorId, usbProductId });

describe('the ports of a page', () => {
  it('are connected when a person chooses one, kept by their numbers, and forgotten when the person says so', async () => {
    const one = device();
    const at = bench([one]);
    at.ports.begin([{ id: INSTRUMENT }], 'token');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    expect(JSON.parse(at.kept.kept.get('torsiond-ports')!)).toEqual({ [INSTRUMENT]: { usbVendorId: 0x1209, usbProductId: 1 } });
    await at.ports.disconnect(INSTRUMENT);
    await waitUntil(() => !at.isOffered(), 'the end of the offer');
    expect([at.kind(), at.kept.kept.get('torsiond-ports')]).toEqual(['none', '{}']);
  });

  it('choosing none says so and changes nothing', async () => {
    const at = bench([device()]);
    at.serial.choose = () => null;
    at.ports.begin([{ id: INSTRUMENT }], 'token');
    await at.ports.connect(INSTRUMENT);
    expect(at.ports.status(INSTRUMENT)).toEqual({ kind: 'none', note: 'No port was chosen.' });
    expect(at.kept.kept.size).toBe(0);
  });

  it('come back after a reload and after a re-plug, when they are granted and unmistakable', async () => {
    const one = device();
    const other = device(0x1209, 2);
    const kept = storage();
    kept.setItem('torsiond-ports', JSON.stringify({ [INSTRUMENT]: { usbVendorId: 0x1209, usbProductId: 1 } }));
    const at = bench([other, one], [other.port, one.port], kept);
    at.ports.begin([{ id: INSTRUMENT }], 'token');
    await waitUntil(at.isOffered, 'the offer');
    await one.unplug();
    await waitUntil(() => !at.isOffered(), 'the end of the offer');
    expect(at.kind()).toBe('ended');
    await one.replug();
    await waitUntil(at.isOffered, 'the offer after the re-plug');
  });

  it('two that look the same are never guessed', async () => {
    const [one, two] = [device(), device()];
    const kept = storage();
    kept.setItem('torsiond-ports', JSON.stringify({ [INSTRUMENT]: { usbVendorId: 0x1209, usbProductId: 1 } }));
    const at = bench([one, two], [one.port, two.port], kept);
    at.ports.begin([{ id: INSTRUMENT }], 'token');
    const note = (): string | null => {
      const status = at.ports.status(INSTRUMENT);
      return status.kind === 'none' ? status.note : null;
    };
    await waitUntil(() => note() !== null, 'a word about it');
    expect(note()).toContain('look the same');
    expect(at.isOffered()).toBe(false);
    // Once it was chosen the very port is known, as long as the page lives.
    at.serial.choose = () => two.port;
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    await two.unplug();
    await two.replug();
    await waitUntil(at.isOffered, 'the offer after the re-plug');
  });

  it('one port that two instruments could mean is not guessed either', async () => {
    const one = device();
    const kept = storage();
    kept.setItem('torsiond-ports', JSON.stringify({ [INSTRUMENT]: { usbVendorId: 0x1209, usbProductId: 1 }, 'bench-b': { usbVendorId: 0x1209, usbProductId: 1 } }));
    const at = bench([one], [one.port], kept);
    at.ports.begin([{ id: INSTRUMENT }, { id: 'bench-b' }], 'token');
    await waitUntil(() => at.ports.status(INSTRUMENT).kind === 'none' && at.ports.status('bench-b').kind === 'none' && (at.ports.status('bench-b') as { note: string | null }).note !== null, 'a word about it');
    expect([at.kind(), at.isOffered()]).toEqual(['none', false]);
  });

  it('what a person disconnects stays so, also while a new token is taken up, and one port is brought once', async () => {
    const one = device();
    const at = bench([one], [one.port]);
    at.ports.begin([{ id: INSTRUMENT }], 'token');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    at.ports.begin([{ id: INSTRUMENT }], 'second-token');
    at.ports.begin([{ id: INSTRUMENT }], 'third-token');
    at.ports.begin([{ id: INSTRUMENT }], 'fourth-token');
    await waitUntil(() => at.kind() === 'offered' && at.isOffered(), 'the offer with the new token');
    await breathe();
    expect(at.opened()).toBe(2);
    at.ports.begin([{ id: INSTRUMENT }], 'fifth-token');
    await at.ports.disconnect(INSTRUMENT);
    await breathe();
    expect([at.kind(), at.opened()]).toEqual(['none', 2]);
  });

  it('are brought again with a new token, and what is kept damaged or not at all does no harm', async () => {
    const one = device();
    const kept = storage();
    kept.setItem('torsiond-ports', '{ damaged');
    const at = bench([one], [one.port], kept);
    at.ports.begin([{ id: INSTRUMENT }], 'token');
    expect(at.kind()).toBe('none');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    at.ports.begin([{ id: INSTRUMENT }], 'another-token');
    await waitUntil(() => at.kind() === 'offered' && at.isOffered(), 'the offer with the new token');
    at.ports.begin([], 'another-token');
    await waitUntil(() => !at.isOffered(), 'the end: no instrument wants it');
  });
});

describe('the USB devices of a page', () => {
  const WANTED = { vendorId: 0x1209, productId: 1 };

  function usbBench(kept = storage(), isGranted = false, serialNumber: string | null = 'HF-U0001') {
    const bus = new UsbBus();
    const [one, other] = [openUsbPort({ bus, serialNumber }), openUsbPort({ bus, productId: 2, serialNumber: 'HF-U0002', place: '1-2' })];
    const usb = new SimulatedUsb(bus, isGranted ? [one.device!, other.device!] : []);
    const { ports: gateway } = portsBench(systemClock, browserInstrument({ kind: 'browser-usb', vendorId: '1209', productId: '0001' }));
    const ports = new PagePorts({ serial: null, usb, isSecure: true, url: 'http://127.0.0.1/', storage: kept, onChange: () => {}, WebSocket: memorySockets(gateway, systemClock).WebSocket });
    onTestFinished(() => ports.disconnect(INSTRUMENT));
    return { bus, one, other, usb, kept, ports, isOffered: () => gateway.stamp(INSTRUMENT) !== null };
  }
  const remembered = (info: object): ReturnType<typeof storage> => {
    const kept = storage();
    kept.setItem('torsiond-ports', JSON.stringify({ [INSTRUMENT]: info }));
    return kept;
  };

  it('are chosen among those that the settings want, kept by numbers and serial number, and forgotten when the person says so', async () => {
    const at = usbBench();
    const shown: unknown[] = [];
    at.usb.choose = (devices) => {
      shown.push(...devices);
      return devices[0] ?? null;
    };
    at.ports.begin([{ id: INSTRUMENT, pageUsb: WANTED }], 'token');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    expect(shown).toEqual([at.one.device]);
    expect(JSON.parse(at.kept.kept.get('torsiond-ports')!)).toEqual({ [INSTRUMENT]: { usbVendorId: 0x1209, usbProductId: 1, usbSerialNumber: 'HF-U0001' } });
    expect(at.ports.status(INSTRUMENT)).toMatchObject({ kind: 'used', name: 'USB 1209:0001, serial number HF-U0001' });
    await at.ports.disconnect(INSTRUMENT);
    await waitUntil(() => !at.isOffered(), 'the end of the offer');
    expect(at.kept.kept.get('torsiond-ports')).toBe('{}');
  });

  it('come back after a reload and after a re-plug, when the browser keeps the grant', async () => {
    const at = usbBench(remembered({ usbVendorId: 0x1209, usbProductId: 1, usbSerialNumber: 'HF-U0001' }), true);
    at.ports.begin([{ id: INSTRUMENT, pageUsb: WANTED }], 'token');
    await waitUntil(at.isOffered, 'the offer');
    await at.one.unplug();
    await waitUntil(() => !at.isOffered(), 'the end of the offer');
    await at.one.replug();
    await waitUntil(at.isOffered, 'the offer after the re-plug');
  });

  it('one without a serial number loses the grant with the plug, and waits for the person', async () => {
    const at = usbBench(storage(), false, null);
    at.ports.begin([{ id: INSTRUMENT, pageUsb: WANTED }], 'token');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    await at.one.unplug();
    await at.one.replug();
    await breathe();
    expect(at.ports.status(INSTRUMENT)).toMatchObject({ kind: 'used', state: { kind: 'ended', reason: 'unplugged' } });
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
  });

  it('that the settings do not want any more, or that were ports before, are not taken', async () => {
    for (const info of [{ usbVendorId: 0x1209, usbProductId: 2, usbSerialNumber: 'HF-U0002' }, { usbVendorId: 0x1209, usbProductId: 1 }, {}]) {
      const at = usbBench(remembered(info), true);
      at.ports.begin([{ id: INSTRUMENT, pageUsb: WANTED }], 'token');
      await breathe();
      expect([at.ports.status(INSTRUMENT).kind, at.isOffered()]).toEqual(['none', false]);
    }
  });

  it('have one owner, and choosing none says so', async () => {
    const at = usbBench();
    const both = [{ id: INSTRUMENT, pageUsb: WANTED }, { id: 'bench-b', pageUsb: WANTED }];
    at.ports.begin(both, 'token');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    await at.ports.connect('bench-b');
    expect(at.ports.status('bench-b')).toEqual({ kind: 'none', note: `${INSTRUMENT} has this device already. A device has one owner: disconnect it there first.` });
    at.usb.choose = () => null;
    await at.ports.connect('bench-b');
    expect(at.ports.status('bench-b')).toEqual({ kind: 'none', note: 'No device was chosen.' });
  });

  it('need WebUSB; an instrument on a serial port beside them needs Web Serial', () => {
    const at = usbBench();
    at.ports.begin([{ id: INSTRUMENT, pageUsb: WANTED }, { id: 'bench-b' }], 'token');
    expect([at.ports.status(INSTRUMENT).kind, at.ports.status('bench-b').kind]).toEqual(['none', 'unsupported']);
  });
});
