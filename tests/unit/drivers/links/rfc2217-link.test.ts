import fc from 'fast-check';
import { describe, expect, it, onTestFinished } from 'vitest';
import type { ByteLink } from '../../../../drivers/links/link.ts';
import { openRfc2217Link, type Rfc2217LinkOptions } from '../../../../drivers/links/rfc2217-link.ts';
import { escapeTelnet, TelnetDecoder } from '../../../../drivers/links/telnet.ts';
import { gatewayChecks } from '../../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../../daemon/settings/load-settings.ts';
import { systemClock, type Clock } from '../../../../shared/clock.ts';
import { openRfc2217Port, type Rfc2217Port, type Rfc2217PortOptions } from '../../../../simulator/ports/rfc2217-port.ts';
import { codeBlocks } from '../../../helpers/markdown.ts';
import { readProjectFile } from '../../../helpers/project-files.ts';
import { serialOptions } from '../../../helpers/serial-options.ts';
import { waitUntil } from '../../../helpers/wait-until.ts';

async function server(options: Rfc2217PortOptions = {}): Promise<Rfc2217Port> {
  const port = await openRfc2217Port(options);
  onTestFinished(() => port.close());
  return port;
}

async function open(port: Rfc2217Port, changes: Partial<Rfc2217LinkOptions> = {}, clock: Clock = systemClock, signal = new AbortController().signal): Promise<ByteLink> {
  const { path: _, ...line } = serialOptions('');
  const link = await openRfc2217Link({ ...line, host: port.address.host, port: port.address.port, ...changes }, { clock, signal });
  onTestFinished(() => link.close());
  return link;
}

/** The clock runs a thousand times faster, for limits of time. */
const hasty: Clock = { ...systemClock, after: (ms, callback) => systemClock.after(ms / 50, callback) };

describe('a link by RFC 2217', () => {
  it('sets the line as the settings say, and purges what is older', async () => {
    const port = await server();
    await open(port);
    expect(port.line).toEqual({ baudRate: 115_200, dataBits: 8, parity: 1, stopBits: 1, controls: [1], purges: [1] });
  });

  it('sets every setting; a rate with a byte 255 in it is escaped', async () => {
    const port = await server();
    const baudRate = 0x1ff00;
    await open(port, { baudRate, dataBits: 7, parity: 'even', stopBits: 2, rtscts: true, dtr: true, rts: false });
    expect(port.line).toEqual({ baudRate, dataBits: 7, parity: 3, stopBits: 2, controls: [3, 8, 12], purges: [1] });
    const other = await server();
    await open(other, { parity: 'odd', xon: true, dtr: false, rts: true });
    expect(other.line).toMatchObject({ parity: 2, controls: [2, 9, 11] });
  });

  it('carries every byte both ways, 255 too', async () => {
    const port = await server();
    const link = await open(port);
    const all = Uint8Array.from({ length: 1_024 }, (_, i) => (i % 3 === 0 ? 0xff : i & 0xff));
    const got: number[] = [];
    const heard: number[] = [];
    link.listen(({ data }) => got.push(...data));
    port.onData((data) => heard.push(...data));
    port.write(all);
    await link.write(all);
    await waitUntil(() => got.length >= all.length && heard.length >= all.length, 'all bytes');
    expect(got).toEqual([...all]);
    expect(heard).toEqual([...all]);
  });

  it.each([
    ['com-port-option', 'does not take line settings'],
    ['binary', 'refuses binary'],
    ['everything-silently', 'did not answer'],
  ] as const)('is refused where the server refuses %s, and leaves nothing open', async (refuses, message) => {
    const port = await server({ refuses });
    await expect(open(port, {}, hasty)).rejects.toMatchObject({ code: 'LINK_OPEN_FAILED', message: expect.stringContaining(message) as string, where: `127.0.0.1:${port.address.port}` });
    const before = port.counters.unheardBytes;
    await waitUntil(() => {
      port.write(Uint8Array.of(1));
      return port.counters.unheardBytes > before;
    }, 'the server to lose its client');
  });

  it('is refused where the server sets another rate than asked', async () => {
    const port = await server({ baudRates: [9_600, 19_200] });
    await expect(open(port)).rejects.toMatchObject({ code: 'LINK_OPEN_FAILED', message: 'the device server did not take 115200 baud: it answers 9600 for 115200' });
    await open(port, { baudRate: 19_200 });
    expect(port.line.baudRate).toBe(19_200);
  });

  it('is given up at once when nobody wants it any more', async () => {
    const port = await server({ refuses: 'everything-silently' });
    const wish = new AbortController();
    const opening = open(port, {}, systemClock, wish.signal);
    await waitUntil(() => port.counters.receivedBytes > 0, 'the client to ask');
    wish.abort();
    await expect(opening).rejects.toMatchObject({ code: 'LINK_CLOSED' });
  });

  it('bears commands between data, whatever they are', async () => {
    const port = await server();
    const link = await open(port);
    const got: number[] = [];
    link.listen(({ data }) => got.push(...data));
    // NOP, an unknown option offered twice, line and modem states, a subnegotiation of another option.
    port.writeRaw([1, 255, 241, 2, 255, 251, 99, 255, 251, 99, 3, 255, 250, 44, 107, 0x30, 255, 240, 255, 250, 24, 1, 255, 255, 255, 240, 4]);
    await waitUntil(() => got.length >= 4, 'the data');
    expect(got).toEqual([1, 2, 3, 4]);
  });

  it('sends nothing while the server has suspended the flow', async () => {
    const port = await server();
    const link = await open(port, {}, hasty);
    const heard: number[] = [];
    const got: number[] = [];
    link.listen(({ data }) => got.push(...data));
    port.onData((data) => heard.push(...data));
    port.setFlow(true);
    port.write(Uint8Array.of(7));
    await waitUntil(() => got.length === 1, 'what came behind the command');
    await expect(link.write(Uint8Array.of(1))).rejects.toMatchObject({ code: 'LINK_WRITE_TIMEOUT' });
    const waiting = link.write(Uint8Array.of(2));
    port.setFlow(false);
    await waiting;
    await waitUntil(() => heard.length === 1, 'the byte that waited');
    expect(heard).toEqual([2]);
  });
});

describe('settings of the link', () => {
  const withLink = (link: string): readonly string[] => parseSettings(`instruments:
  - id: served
    ${link}
    driver: { id: ascii-lines }
    channels: [{ transducer: { serialNumber: HF-T60-0071, capacity: 60 }, capture: { mode: peak } }]
`, gatewayChecks).faults.map((fault) => fault.message);

  it('as the page shows them are accepted', () => {
    const example = codeBlocks(readProjectFile('drivers/README.md')).find((block) => block.text.includes('kind: rfc2217'));
    expect(withLink(example!.text.split('\n').find((line) => line.startsWith('link:'))!)).toEqual([]);
  });

  it('take one kind of flow control', () => {
    const [fault, ...more] = withLink('link: { kind: rfc2217, host: 192.0.2.17, port: 4001, rtscts: true, xon: true }');
    expect(fault).toContain('one kind of flow control');
    expect(more).toEqual([]);
  });
});

describe('Telnet', () => {
  it('gives back any data cut anywhere, with commands in between', () => {
    fc.assert(fc.property(
      fc.array(fc.oneof(fc.uint8Array({ maxLength: 20 }), fc.constantFrom('nop', 'will', 'sub')), { maxLength: 20 }),
      fc.array(fc.integer({ min: 1, max: 7 }), { minLength: 1, maxLength: 20 }),
      (parts, cuts) => {
        const sent = Uint8Array.from(parts.flatMap((part) => (typeof part === 'string' ? { nop: [255, 241], will: [255, 251, 7], sub: [255, 250, 44, 255, 255, 1, 255, 240] }[part] : [...escapeTelnet(part)])));
        const data: number[] = [];
        const told: string[] = [];
        const decoder = new TelnetDecoder({
          data: (bytes) => data.push(...bytes),
          negotiation: (verb, option) => told.push(`${verb} ${option}`),
          subnegotiation: (content) => told.push([...content].join(' ')),
        });
        for (let at = 0, i = 0; at < sent.length; i++) {
          const length = cuts[i % cuts.length]!;
          decoder.decode(sent.subarray(at, at + length));
          at += length;
        }
        expect(data).toEqual(parts.flatMap((part) => (typeof part === 'string' ? [] : [...part])));
        expect(told).toEqual(parts.flatMap((part) => (part === 'will' ? ['251 7'] : part === 'sub' ? ['44 255 1'] : [])));
      },
    ));
  });

  it('passes over a subnegotiation without an end in bounded memory, and goes on behind it', () => {
    const data: number[] = [];
    const decoder = new TelnetDecoder({ data: (bytes) => data.push(...bytes), negotiation: () => {}, subnegotiation: () => expect.unreachable() });
    decoder.decode(Uint8Array.of(255, 250, 44));
    for (let i = 0; i < 100; i++) decoder.decode(new Uint8Array(1_000));
    decoder.decode(Uint8Array.of(255, 240, 5));
    expect(data).toEqual([5]);
    expect(decoder.passedOver).toBe(1);
  });
});
