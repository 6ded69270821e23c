import { describe, expect, it, onTestFinished } from 'vitest';
import { PagePorts } from '../../../daemon/page/page-ports.ts';
import { systemClock } from '../../../shared/clock.ts';
import { openWebSerialPort, SimulatedSerial, type WebSerialPort, type WebSerialSimulatedPort } from '../../../simulator/index.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { INSTRUMENT, memorySockets, portsBench } from '../../helpers/page-port-bench.ts';
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
  const ports = new PagePorts({ serial: serial, isSecure: true, url: 'http://127.0.0.1/', storage: kept, onChange: () => {}, WebSocket });
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
    at.ports.begin([INSTRUMENT], 'token');
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
    at.ports.begin([INSTRUMENT], 'token');
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
    at.ports.begin([INSTRUMENT], 'token');
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
    at.ports.begin([INSTRUMENT], 'token');
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
    at.ports.begin([INSTRUMENT, 'bench-b'], 'token');
    await waitUntil(() => at.ports.status(INSTRUMENT).kind === 'none' && at.ports.status('bench-b').kind === 'none' && (at.ports.status('bench-b') as { note: string | null }).note !== null, 'a word about it');
    expect([at.kind(), at.isOffered()]).toEqual(['none', false]);
  });

  it('what a person disconnects stays so, also while a new token is taken up, and one port is brought once', async () => {
    const one = device();
    const at = bench([one], [one.port]);
    at.ports.begin([INSTRUMENT], 'token');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    at.ports.begin([INSTRUMENT], 'second-token');
    at.ports.begin([INSTRUMENT], 'third-token');
    at.ports.begin([INSTRUMENT], 'fourth-token');
    await waitUntil(() => at.kind() === 'offered' && at.isOffered(), 'the offer with the new token');
    await breathe();
    expect(at.opened()).toBe(2);
    at.ports.begin([INSTRUMENT], 'fifth-token');
    await at.ports.disconnect(INSTRUMENT);
    await breathe();
    expect([at.kind(), at.opened()]).toEqual(['none', 2]);
  });

  it('are brought again with a new token, and what is kept damaged or not at all does no harm', async () => {
    const one = device();
    const kept = storage();
    kept.setItem('torsiond-ports', '{ damaged');
    const at = bench([one], [one.port], kept);
    at.ports.begin([INSTRUMENT], 'token');
    expect(at.kind()).toBe('none');
    await at.ports.connect(INSTRUMENT);
    await waitUntil(at.isOffered, 'the offer');
    at.ports.begin([INSTRUMENT], 'another-token');
    await waitUntil(() => at.kind() === 'offered' && at.isOffered(), 'the offer with the new token');
    at.ports.begin([], 'another-token');
    await waitUntil(() => !at.isOffered(), 'the end: no instrument wants it');
  });
});
