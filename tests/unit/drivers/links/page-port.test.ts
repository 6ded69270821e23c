import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ByteChunk, ByteLink } from '../../../../drivers/links/link.ts';
import { PAGE_SILENT_MS, PagePort } from '../../../../drivers/links/page-port.ts';
import { CUTS_MAX, WINDOW_BYTES } from '../../../../drivers/links/page-connection.ts';
import type { TorsiondError } from '../../../../shared/errors.ts';
import { decodePortBytes, encodePortBytes, PORT_PAYLOAD_MAX, type PortBytes } from '../../../../shared/wire/port-bytes.ts';
import type { PortCutName, PortGatewayMessage, PortHow, PortPageMessageSent } from '../../../../shared/wire/port-messages.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

const LINE = { baudRate: 9_600, dataBits: 8, parity: 'none', stopBits: 1, flowControl: 'none', dtr: null, rts: null } as const;
const HOW = { type: 'open', line: LINE } as const;

/** Lets promises run. */
const breathe = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

class ScriptedPage {
  readonly clock = new ManualClock();
  readonly told: PortGatewayMessage[] = [];
  readonly writes: PortBytes[] = [];
  closed: { code: number; reason: string } | null = null;
  answersBeats = true;
  isOffered = false;
  isGone = false;
  number = 0;
  readonly port: PagePort;

  constructor() {
    this.port = new PagePort({
      instrument: 'bench-a', title: 'Bench A', who: 'test', clock: this.clock,
      duplex: {
        send: (data) => {
          if (typeof data !== 'string') return void this.writes.push(decodePortBytes(data));
          const message = JSON.parse(data) as PortGatewayMessage;
          this.told.push(message);
          if (message.type === 'beat' && this.answersBeats) this.say({ type: 'beat', number: message.number, atMs: this.clock.monoMs() });
        },
        close: (code, reason) => (this.closed = { code, reason }),
      },
      onOffer: () => (this.isOffered = true),
      onGone: () => (this.isGone = true),
    });
  }

  say(message: PortPageMessageSent): void {
    this.port.receive(JSON.stringify(message));
  }

  offer(): this {
    this.say({ type: 'offer', name: 'USB 1209:0001', page: 'p1', takeOver: false });
    return this;
  }

  read(data: Uint8Array, atMs = this.clock.monoMs(), number = this.number++, connection = 0): void {
    this.port.receive(encodePortBytes({ kind: 'read', connection, number, atMs, data }));
  }

  cut(error: PortCutName = 'ParityError'): void {
    this.say({ type: 'cut', connection: 0, number: this.number++, atMs: this.clock.monoMs(), error });
  }

  async open(connection = 0, how: PortHow = HOW): Promise<{ link: ByteLink; chunks: ByteChunk[] }> {
    const opening = this.port.open(how, { clock: this.clock, signal: new AbortController().signal });
    await breathe();
    this.say({ type: 'opened', connection });
    const link = await opening;
    const chunks: ByteChunk[] = [];
    link.listen((chunk) => chunks.push(chunk));
    return { link, chunks };
  }

  async asked(): Promise<PortGatewayMessage[]> {
    await breathe();
    return this.told.filter(({ type }) => type !== 'beat');
  }
}

async function lostWith(link: ByteLink): Promise<TorsiondError> {
  const end = await link.ended;
  if (end.reason !== 'lost') throw new Error(`ended as ${end.reason}`);
  return end.error;
}

const bytes = (length: number): Uint8Array => new Uint8Array(length).fill(7);

describe('a page that brings a port', () => {
  it('is told how to open it, and by what name the link goes', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    expect(await page.asked()).toEqual([
      { type: 'accepted', instrument: 'bench-a', title: 'Bench A' },
      { type: 'open', connection: 0, line: LINE, windowBytes: WINDOW_BYTES },
    ]);
    expect(link.label).toBe('USB 1209:0001 (test)');
  });

  it('gives its bytes the times at which they were read there, whatever delays them', async () => {
    const page = new ScriptedPage().offer();
    const { chunks } = await page.open();
    page.clock.advance(1_000);
    const readMs = page.clock.monoMs();
    for (const lateMs of [0, 80, 130]) {
      page.clock.advance(readMs + lateMs - page.clock.monoMs());
      page.read(bytes(3), readMs + lateMs / 10);
    }
    expect(chunks.map(({ atMs }) => atMs - readMs)).toEqual([0, 8, 13]);
  });

  it('holds a write until the page says that it left, and ends the link when it does not', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    let isWritten = false;
    const write = link.write(Uint8Array.of(1, 2)).then(() => (isWritten = true));
    await breathe();
    expect([page.writes.length, isWritten]).toEqual([1, false]);
    page.say({ type: 'wrote', connection: 0, number: page.writes[0]!.number });
    await write;
    const late = link.write(Uint8Array.of(3)).catch((error: TorsiondError) => error.code);
    page.clock.advance(2_000);
    expect(await late).toBe('LINK_WRITE_TIMEOUT');
    expect((await lostWith(link)).code).toBe('LINK_WRITE_TIMEOUT');
    expect((await page.asked()).at(-1)).toEqual({ type: 'close', connection: 0 });
  });

  it('a write that the port refuses is told with the port\'s words', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    const write = link.write(Uint8Array.of(1));
    await breathe();
    page.say({ type: 'not-written', connection: 0, number: 0, message: 'The device has been lost.' });
    await expect(write).rejects.toMatchObject({ code: 'LINK_LOST', message: 'the port does not take bytes: The device has been lost.' });
  });

  it('a number left out ends the link: what is missing is never joined', async () => {
    const page = new ScriptedPage().offer();
    const { link, chunks } = await page.open();
    page.read(bytes(4));
    page.read(bytes(4), page.clock.monoMs(), 2);
    expect(await lostWith(link)).toMatchObject({ code: 'LINK_LOST', message: 'the page sent number 2 where 1 was due: what is between them is missing' });
    page.read(bytes(4), page.clock.monoMs(), 1);
    expect(chunks.length).toBe(1);
  });

  it('after a cut the link ends, and the next one has the same open port', async () => {
    const page = new ScriptedPage().offer();
    const first = await page.open();
    page.cut();
    expect(await lostWith(first.link)).toMatchObject({ code: 'LINK_CUT', message: 'a byte came with the wrong parity (ParityError)' });
    await first.link.close();
    page.read(bytes(9)); // between two links: nobody's
    const link = await page.port.open(HOW, { clock: page.clock, signal: new AbortController().signal });
    const chunks: ByteChunk[] = [];
    link.listen((chunk) => chunks.push(chunk));
    page.read(bytes(5));
    expect([first.chunks.length, chunks.map(({ data }) => data.length)]).toEqual([0, [5]]);
    expect((await page.asked()).filter(({ type }) => type === 'open' || type === 'close').length).toBe(1);
    const closing = link.close();
    expect((await page.asked()).at(-1)).toEqual({ type: 'close', connection: 0 });
    page.say({ type: 'closed', connection: 0 });
    await closing;
  });

  it('after a cut that nobody comes back from, the port is let go', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    page.cut();
    await link.close();
    expect((await page.asked()).at(-1)!.type).toBe('open');
    page.clock.advance(2_000);
    expect((await page.asked()).at(-1)).toEqual({ type: 'close', connection: 0 });
  });

  it('one read error after another ends the link with what to look at', async () => {
    const page = new ScriptedPage().offer();
    let { link } = await page.open();
    for (let i = 0; i < CUTS_MAX; i++) {
      page.cut('FramingError');
      link = await page.port.open(HOW, { clock: page.clock, signal: new AbortController().signal });
    }
    page.cut('FramingError');
    expect(await lostWith(link)).toMatchObject({ code: 'LINK_LOST', hint: expect.stringContaining('baud rate') as string });
    expect((await page.asked()).at(-1)).toEqual({ type: 'close', connection: 0 });
  });

  it('has a USB device opened by its endpoints; its halts are counted, and a packet that is too long is a cut', async () => {
    const page = new ScriptedPage().offer();
    const usb = { vendorId: 0x1209, productId: 1, interface: 2, packetHeaderBytes: 2 };
    const { link } = await page.open(0, { type: 'open-usb', usb });
    expect((await page.asked()).at(-1)).toEqual({ type: 'open-usb', connection: 0, usb, windowBytes: WINDOW_BYTES });
    expect(link.disturbances!()).toBe(0);
    page.say({ type: 'stalled', connection: 0 });
    page.say({ type: 'stalled', connection: 0 });
    expect(link.disturbances!()).toBe(2);
    page.cut('babble');
    expect(await lostWith(link)).toMatchObject({ code: 'LINK_CUT', message: 'the device sent more than a packet holds, and bytes are missing (babble)' });
    let next = await page.port.open({ type: 'open-usb', usb }, { clock: page.clock, signal: new AbortController().signal });
    page.say({ type: 'stalled', connection: 0 });
    expect([link.disturbances!(), next.disturbances!()]).toEqual([3, 1]);
    for (let i = 1; i < CUTS_MAX; i++) {
      page.cut('babble');
      next = await page.port.open({ type: 'open-usb', usb }, { clock: page.clock, signal: new AbortController().signal });
    }
    page.cut('babble');
    expect(await lostWith(next)).toMatchObject({ code: 'LINK_LOST', hint: expect.stringContaining('longer packets') as string });
  });

  it.each([
    ['NotFoundError', 'LINK_NOT_FOUND', 'LINK_NOT_FOUND'], ['NetworkError', 'LINK_OPEN_FAILED', 'LINK_OPEN_FAILED'], ['SecurityError', 'LINK_OPEN_FAILED', 'LINK_PERMISSION'],
    // Only the module of a page with a USB device says this; what no browser says is no more than a refusal.
    ['LINK_SETTINGS', 'LINK_OPEN_FAILED', 'LINK_SETTINGS'], ['constructor', 'LINK_OPEN_FAILED', 'LINK_OPEN_FAILED'], ['LINK_CLOSED', 'LINK_OPEN_FAILED', 'LINK_OPEN_FAILED'],
  ])('a browser that could not open it with %s is told as %s of a serial port and as %s of a USB device', async (error, serial, usb) => {
    for (const [how, code] of [[HOW, serial], [{ type: 'open-usb', usb: { vendorId: 1, productId: 1, packetHeaderBytes: 0 } }, usb]] as const) {
      const page = new ScriptedPage().offer();
      const opening = page.port.open(how, { clock: page.clock, signal: new AbortController().signal }).catch((thrown: TorsiondError) => thrown);
      await breathe();
      page.say({ type: 'not-opened', connection: 0, error, message: 'Why not.' });
      expect(await opening).toMatchObject({ code, message: `the browser could not open the ${how.type === 'open' ? 'port' : 'USB device'}: Why not.` });
    }
  });

  it('is told what was taken, and no more while the driver holds back', async () => {
    const page = new ScriptedPage().offer();
    const { link, chunks } = await page.open();
    const took = (): number[] => page.told.filter((message) => message.type === 'took').map(({ number }) => number);
    for (let i = 0; i < 4; i++) page.read(bytes(10_000));
    expect(took()).toEqual([3]);
    page.read(bytes(1));
    page.clock.advance(1_000);
    expect(took()).toEqual([3, 4]);
    link.pause!();
    for (let i = 0; i < 8; i++) page.read(bytes(PORT_PAYLOAD_MAX));
    page.clock.advance(3_000);
    expect([took(), chunks.length]).toEqual([[3, 4], 5]);
    link.resume!();
    expect([took(), chunks.length]).toEqual([[3, 4, 12], 13]);
  });

  it('that sends on although nothing is taken loses its link', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    link.pause!();
    for (let i = 0; i < 10; i++) page.read(bytes(PORT_PAYLOAD_MAX));
    expect(await lostWith(link)).toMatchObject({ code: 'LINK_LOST', message: expect.stringContaining('may be on the way') as string });
  });

  it('that floods is sent away', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    for (let i = 0; i < 200 && page.closed === null; i++) page.read(bytes(PORT_PAYLOAD_MAX));
    expect(page.closed).toEqual({ code: 1008, reason: 'more than 4000 messages or 4 MiB a second' });
    expect((await lostWith(link)).message).toContain('more than 4000 messages or 4 MiB a second');
  });

  it('that is silent is noticed within seconds, whatever else it sends', async () => {
    const page = new ScriptedPage().offer();
    const { link } = await page.open();
    page.clock.advance(10_000);
    expect(page.closed).toBeNull();
    page.answersBeats = false;
    for (let i = 0; i < PAGE_SILENT_MS / 500 + 3 && !page.isGone; i++) {
      page.clock.advance(500);
      page.read(bytes(1), page.clock.monoMs());
    }
    expect(page.closed).toEqual({ code: 1001, reason: 'it has not answered for 5 s' });
    expect(await lostWith(link)).toMatchObject({ code: 'LINK_LOST', message: 'the page with the port is gone: it has not answered for 5 s' });
  });

  it('whose clock jumps is sent away: its times could not be used', async () => {
    const page = new ScriptedPage().offer();
    await page.open();
    page.read(bytes(1), page.clock.monoMs() + 60_000);
    expect(page.closed).toEqual({ code: 1008, reason: 'the clock of its computer jumped; it may have slept' });
  });

  it('that never offers is sent away', () => {
    const page = new ScriptedPage();
    page.clock.advance(5_000);
    expect(page.closed).toEqual({ code: 1008, reason: 'no offer within 5 s' });
  });

  it('that cannot open the port says why; the instrument learns it', async () => {
    const page = new ScriptedPage().offer();
    const opening = page.port.open(HOW, { clock: page.clock, signal: new AbortController().signal });
    await breathe();
    page.say({ type: 'not-opened', connection: 0, error: 'NetworkError', message: 'Failed to open serial port.' });
    await expect(opening).rejects.toMatchObject({ code: 'LINK_OPEN_FAILED', message: 'the browser could not open the port: Failed to open serial port.', hint: expect.stringContaining('close other programs') as string });
    await page.open(1);
  });

  it('that does not answer is given up, and what it opens too late is closed', async () => {
    const page = new ScriptedPage().offer();
    const opening = page.port.open(HOW, { clock: page.clock, signal: new AbortController().signal }).catch((error: TorsiondError) => error.code);
    await breathe();
    page.clock.advance(4_500);
    expect(await opening).toBe('LINK_OPEN_FAILED');
    expect((await page.asked()).at(-1)).toEqual({ type: 'close', connection: 0 });
    page.say({ type: 'opened', connection: 0 });
    page.say({ type: 'closed', connection: 0 });
    await page.open(1);
  });

  it('whatever it says, nothing throws, and what is no message ends the conversation with a reason', () => {
    fc.assert(fc.property(fc.array(fc.oneof(
      fc.string(), fc.uint8Array({ maxLength: 60 }), fc.json(),
      fc.record({ type: fc.constantFrom('offer', 'opened', 'cut', 'beat', 'closed', 'wrote', 'lost'), connection: fc.nat(3), number: fc.nat(9), atMs: fc.double(), name: fc.string(), page: fc.string() }).map((value) => JSON.stringify(value)),
    ), { maxLength: 20 }), (messages) => {
      const page = new ScriptedPage().offer();
      for (const message of messages) page.port.receive(message);
      page.clock.advance(100);
      expect(page.isGone).toBe(page.closed !== null);
      if (page.closed) expect(page.closed.reason.length).toBeGreaterThan(0);
    }));
  });
});
