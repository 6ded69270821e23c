/** What every link promises, checked on a real one: `drivers/links/link.ts` in numbers. */
import assert from 'node:assert/strict';
import type { ByteLink, ByteChunk, LinkEnd } from '../links/link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { eventually, type Clause } from './clause.ts';

/** The device's side of one open link. */
export interface LinkFarEnd {
  /** Bytes to the link. Resolves when the far end has taken them. */
  send(data: Uint8Array): Promise<void>;
  /** Bytes that came from the link so far. */
  received(): Uint8Array;
  /** The cable is pulled. */
  unplug(): Promise<void>;
}

export interface LinkHarness {
  readonly name: string;
  readonly supports: {
    /** Only one may have the address open. */
    readonly exclusive: boolean;
    /** Writes reach the far end (a recording has none). */
    readonly writes: boolean;
    /** Can hold back the sender; default true. */
    readonly pauses?: boolean;
  };
  /** Opens a link to a far end that listens already. */
  open(signal?: AbortSignal): Promise<{ link: ByteLink; far: LinkFarEnd }>;
  /** Opens the address of the last `open` once more. */
  openAgain(signal?: AbortSignal): Promise<ByteLink>;
  /** Opens an address that is not there; null where there are none. */
  openAbsent: ((signal?: AbortSignal) => Promise<ByteLink>) | null;
  /** Ends whatever the last clause left. */
  cleanUp(): Promise<void>;
}

/** Bytes that show any change: all values, and a counter. */
function marked(length: number): Uint8Array {
  return Uint8Array.from({ length }, (_, i) => (i % 257 === 256 ? (i / 257) & 0xff : i & 0xff));
}

function joined(chunks: readonly ByteChunk[]): Buffer {
  return Buffer.concat(chunks.map((chunk) => chunk.data));
}

function pausing(link: ByteLink): { readonly pause: () => void; readonly resume: () => void } {
  assert.ok(link.pause && link.resume, 'the link has no pause and resume; declare supports.pauses: false when it cannot hold back the sender');
  return { pause: () => link.pause!(), resume: () => link.resume!() };
}

async function rejection(promise: Promise<unknown>): Promise<TorsiondError> {
  const thrown = await promise.then(() => null, (error: unknown) => error);
  assert.ok(thrown instanceof TorsiondError, `expected a TorsiondError, got ${String(thrown)}`);
  return thrown;
}

export function linkClauses(harness: LinkHarness): readonly Clause[] {
  const { supports } = harness;
  const clauses: Clause[] = [];
  const clause = (id: string, text: string, check: () => Promise<void>): void => {
    clauses.push({ id, text, check: async () => {
      try {
        await check();
      } finally {
        await harness.cleanUp();
      }
    } });
  };
  const heard = (link: ByteLink): ByteChunk[] => {
    const chunks: ByteChunk[] = [];
    link.listen((chunk) => chunks.push(chunk));
    return chunks;
  };
  const came = (chunks: readonly ByteChunk[]): number => chunks.reduce((sum, chunk) => sum + chunk.data.length, 0);

  if (harness.openAbsent) {
    const { openAbsent } = harness;
    clause('L1', 'an address that is not there is refused with a code of the LINK_ area, and where', async () => {
      const error = await rejection(openAbsent());
      assert.match(error.code, /^LINK_(NOT_FOUND|REFUSED)$/);
      assert.ok(error.where);
    });
  }
  clause('L2', 'opening that was given up rejects and leaves nothing open', async () => {
    const { link } = await harness.open();
    await link.close();
    assert.equal((await rejection(harness.openAgain(AbortSignal.abort()))).code, 'LINK_CLOSED');
    await (await harness.openAgain()).close();
  });
  clause('L3', 'an unplugged link ends as lost, once, without anybody writing', async () => {
    const { link, far } = await harness.open();
    const ends: LinkEnd[] = [];
    void link.ended.then((end) => ends.push(end));
    heard(link);
    await far.unplug();
    await eventually(() => ends.length > 0, 'the end of the link');
    await link.close();
    const end = await link.ended;
    assert.ok(end.reason === 'lost' && end.error.code === 'LINK_LOST' && end.error.where === link.label);
    assert.equal(ends.length, 1);
  });
  clause('L4', 'no bytes come after the end', async () => {
    const { link, far } = await harness.open();
    const chunks = heard(link);
    await far.send(marked(100));
    await eventually(() => came(chunks) === 100, 'the bytes');
    void far.send(marked(100)).catch(() => {});
    await link.close();
    const atEnd = came(chunks);
    await new Promise((resolve) => setImmediate(resolve));
    assert.equal(came(chunks), atEnd);
  });
  clause('L5', 'closing twice is fine, and ends as closed', async () => {
    const { link } = await harness.open();
    heard(link);
    await Promise.all([link.close(), link.close()]);
    await link.close();
    assert.deepEqual(await link.ended, { reason: 'closed' });
  });
  clause('L6', 'what is written after the end is refused', async () => {
    const { link } = await harness.open();
    await link.close();
    assert.equal((await rejection(link.write(marked(3)))).code, 'LINK_CLOSED');
  });
  clause('L7', 'arrival times never go back', async () => {
    const { link, far } = await harness.open();
    const chunks = heard(link);
    for (let i = 0; i < 20; i++) await far.send(marked(50));
    await eventually(() => came(chunks) === 1_000, 'the bytes');
    chunks.forEach((chunk, i) => assert.ok(Number.isFinite(chunk.atMs) && (i === 0 || chunk.atMs >= chunks[i - 1]!.atMs)));
  });
  clause('L8', 'bytes that arrive before the listener are handed to it', async () => {
    const { link, far } = await harness.open();
    await far.send(marked(500));
    const chunks = heard(link);
    await eventually(() => came(chunks) === 500, 'the early bytes');
    assert.deepEqual(joined(chunks), Buffer.from(marked(500)));
  });
  clause('L9', 'every byte value arrives unchanged and in order, and stays as it was', async () => {
    const { link, far } = await harness.open();
    const chunks = heard(link);
    const sent = marked(40_000);
    for (let at = 0; at < sent.length; at += 1_000) await far.send(sent.slice(at, at + 1_000));
    await eventually(() => came(chunks) === sent.length, 'all bytes');
    assert.deepEqual(joined(chunks), Buffer.from(sent));
  });
  clause('L10', 'a second listener is refused', async () => {
    const { link } = await harness.open();
    heard(link);
    assert.throws(() => heard(link), TorsiondError);
  });
  if (supports.pauses ?? true) {
    clause('L11', 'a paused link hands over nothing, and everything after resuming', async () => {
      const { link, far } = await harness.open();
      const { pause, resume } = pausing(link);
      const chunks = heard(link);
      await far.send(marked(100));
      await eventually(() => came(chunks) === 100, 'the first bytes');
      pause();
      await far.send(marked(100));
      for (let i = 0; i < 20; i++) await new Promise((resolve) => setImmediate(resolve));
      assert.equal(came(chunks), 100);
      resume();
      await eventually(() => came(chunks) === 200, 'the bytes held back');
      assert.deepEqual(joined(chunks).subarray(100), Buffer.from(marked(100)));
    });
  }
  clause('L12', 'a listener that throws ends the link as lost with DRIVER_FAILED', async () => {
    const { link, far } = await harness.open();
    link.listen(() => {
      throw new Error('broken on purpose');
    });
    await far.send(marked(1));
    const end = await link.ended;
    assert.ok(end.reason === 'lost' && end.error.code === 'DRIVER_FAILED');
  });
  clause('L13', 'opening that is given up under way rejects as LINK_CLOSED or has opened already, and leaves nothing open', async () => {
    const { link } = await harness.open();
    await link.close();
    for (let turns = 0; turns <= 6; turns++) {
      const giveUp = new AbortController();
      const opening = harness.openAgain(giveUp.signal).then((opened) => opened, (error: unknown) => error);
      for (let i = 0; i < turns; i++) await (i % 2 === 0 ? Promise.resolve() : new Promise((resolve) => setImmediate(resolve)));
      giveUp.abort();
      const found = await opening;
      if (found instanceof Error) assert.ok(found instanceof TorsiondError && found.code === 'LINK_CLOSED', `given up after ${turns} turns: ${found.message}`);
      else await (found as ByteLink).close();
    }
    await (await harness.openAgain()).close();
  });
  if (supports.pauses ?? true) {
    clause('L14', 'paused and resumed again and again in the middle of a stream, also by the listener, it loses and changes nothing', async () => {
      const { link, far } = await harness.open();
      const { pause, resume } = pausing(link);
      const chunks: ByteChunk[] = [];
      let isPaused = false;
      link.listen((chunk) => {
        assert.ok(!isPaused, 'bytes came while the link was paused');
        chunks.push(chunk);
        isPaused = true;
        pause();
        setImmediate(() => {
          isPaused = false;
          resume();
        });
      });
      const sent = marked(30_000);
      for (let at = 0; at < sent.length; at += 1_000) await far.send(sent.slice(at, at + 1_000));
      await eventually(() => came(chunks) >= sent.length, 'all bytes');
      assert.deepEqual(joined(chunks), Buffer.from(sent));
    });
    clause('L15', 'a paused link can be closed, and hands over nothing more', async () => {
      const { link, far } = await harness.open();
      const { pause } = pausing(link);
      const chunks = heard(link);
      pause();
      await far.send(marked(100));
      await link.close();
      assert.deepEqual(await link.ended, { reason: 'closed' });
      await new Promise((resolve) => setImmediate(resolve));
      assert.equal(came(chunks), 0);
    });
  }
  if (supports.writes) {
    clause('W1', 'what is written reaches the device unchanged, in order', async () => {
      const { link, far } = await harness.open();
      heard(link);
      const parts = [marked(300), Uint8Array.of(0, 10, 13, 255, 3, 4, 17, 19), marked(64)];
      await Promise.all(parts.map((part) => link.write(part)));
      const expected = Buffer.concat(parts);
      await eventually(() => far.received().length >= expected.length, 'the written bytes');
      assert.deepEqual(Buffer.from(far.received()), expected);
    });
    clause('W2', 'the caller may use its buffer again at once', async () => {
      const { link, far } = await harness.open();
      heard(link);
      const buffer = Uint8Array.of(1, 2, 3);
      const written = link.write(buffer);
      buffer.fill(9);
      await written;
      await eventually(() => far.received().length === 3, 'the written bytes');
      assert.deepEqual([...far.received()], [1, 2, 3]);
    });
    clause('W3', 'what is written to a device that was unplugged is refused with a code of the LINK_ area, and the link ends once', async () => {
      const { link, far } = await harness.open();
      const ends: LinkEnd[] = [];
      void link.ended.then((end) => ends.push(end));
      heard(link);
      await far.unplug();
      await eventually(() => ends.length > 0, 'the end of the link');
      assert.match((await rejection(link.write(marked(3)))).code, /^LINK_/);
      await link.close();
      assert.equal(ends.length, 1);
    });
    clause('W4', 'a write that is under way when the link is closed settles, whole or refused with a code of the LINK_ area', async () => {
      const { link } = await harness.open();
      heard(link);
      const writing = link.write(marked(200)).then(() => null, (error: unknown) => error);
      await link.close();
      let end: unknown = 'pending';
      void writing.then((result) => (end = result));
      await eventually(() => end !== 'pending', 'the end of the write');
      assert.ok(end === null || (end instanceof TorsiondError && end.code.startsWith('LINK_')), String(end instanceof Error ? end.message : end));
    });
  }
  if (supports.exclusive) {
    clause('X1', 'a second open of the same address is refused as LINK_BUSY and does the first no harm', async () => {
      const { link, far } = await harness.open();
      const chunks = heard(link);
      assert.equal((await rejection(harness.openAgain())).code, 'LINK_BUSY');
      await far.send(marked(100));
      await eventually(() => came(chunks) === 100, 'bytes of the first link');
    });
    clause('X2', 'after close the address can be opened again at once, 50 times', async () => {
      const { link } = await harness.open();
      await link.close();
      for (let i = 0; i < 50; i++) {
        const next = await harness.openAgain();
        heard(next);
        await next.close();
      }
    });
  }
  return clauses;
}
