/** Framers and links with a fault planted in them break the clause that names it, and no other. */
import { describe, expect, it } from 'vitest';
import { framerClauses, linkClauses, runClauses } from '../../drivers/conformance/index.ts';
import type { Framer, FrameSink } from '../../drivers/framing/framer.ts';
import { LineFramer } from '../../drivers/framing/line-framer.ts';
import type { ByteChunk, ByteLink } from '../../drivers/links/link.ts';
import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import { systemClock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';

const LF = Uint8Array.of(10);

const brokenOf = async (clauses: Parameters<typeof runClauses>[1]): Promise<readonly string[]> =>
  (await runClauses('planted', clauses)).clauses.filter(({ result }) => result === 'broken').map(({ id }) => id);

/** The line framer, with a part of it replaced. */
function plantedFramer(change: (inner: LineFramer) => Partial<Framer>): Framer {
  const inner = new LineFramer({ delimiter: LF, maxLineBytes: 64 });
  const own: Framer = {
    push: (chunk, sink) => inner.push(chunk, sink), reset: () => inner.reset(),
    get discardedBytes() {
      return inner.discardedBytes;
    },
    get buffered() {
      return inner.buffered;
    },
    maxBuffered: inner.maxBuffered,
  };
  return Object.defineProperties(own, Object.getOwnPropertyDescriptors(change(inner)));
}

/** Looks at every byte with all that follow it. */
function lookAhead(chunk: Uint8Array): number {
  let columns = 0;
  for (let i = 0; i < chunk.length; i++) columns += Buffer.from(chunk.buffer, chunk.byteOffset + i, Math.min(64, chunk.length - i)).toString('latin1').split(',').length;
  return columns;
}

const FRAMER_FAULTS: readonly [name: string, clause: string, make: () => Framer][] = [
  ['takes every byte up again and again', 'F6', () => plantedFramer((inner) => ({ push: (chunk: Uint8Array, sink: FrameSink) => {
    if (lookAhead(chunk) >= 0) inner.push(chunk, sink);
  } }))],
  ['takes the line after a reset for a whole one', 'F7', () => {
    let isReset = false;
    return plantedFramer((inner) => ({
      reset: () => {
        isReset = true;
        return inner.reset();
      },
      push: (chunk: Uint8Array, sink: FrameSink) => {
        if (isReset) inner.push(LF, { frames: () => {}, tooLong: () => {} });
        isReset = false;
        inner.push(chunk, sink);
      },
    }));
  }],
];

interface LinkFault {
  readonly link?: (inner: ByteLink) => Partial<ByteLink>;
  readonly openAgain?: (open: () => ByteLink, signal?: AbortSignal) => Promise<ByteLink>;
  readonly busy?: boolean;
}

const asError = (thrown: unknown): unknown => thrown;

const LINK_FAULTS: readonly [name: string, clause: string, fault: LinkFault][] = [
  ['rejects with the signal\'s own error when opening is given up under way', 'L13', { openAgain: async (open, signal) => {
    if (signal?.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up');
    for (let i = 0; i < 3; i++) await new Promise((resolve) => setImmediate(resolve));
    signal?.throwIfAborted();
    return open();
  } }],
  ['holds an address that was given up while it opened', 'L13', { busy: true, openAgain: async (open, signal) => {
    if (signal?.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up');
    const link = open();
    await new Promise((resolve) => setImmediate(resolve));
    if (signal?.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up');
    return link;
  } }],
  ['drops what comes while its listener has paused it', 'L14', { link: (inner) => {
    let isInListener = false;
    let isDropping = false;
    return {
      listen: (listener: (chunk: ByteChunk) => void) => inner.listen((chunk) => {
        const isDropped = isDropping;
        isDropping = false;
        isInListener = true;
        if (!isDropped) listener(chunk);
        isInListener = false;
      }),
      pause: () => {
        isDropping = isInListener;
        inner.pause!();
      },
    };
  } }],
  ['hands over what it held when it is closed', 'L15', { link: (inner) => ({ close: async () => {
    inner.resume!();
    await inner.close();
  } }) }],
  ['swallows what is written after the cable was pulled', 'W3', { link: (inner) => {
    let isLost = false;
    void inner.ended.then((end) => (isLost = end.reason === 'lost'));
    return { write: (data: Uint8Array) => (isLost ? Promise.resolve() : inner.write(data)) };
  } }],
  ['never settles a write that the close overtook', 'W4', { link: (inner) => {
    let isClosing = false;
    return {
      write: async (data: Uint8Array) => {
        await inner.write(data);
        await new Promise((resolve) => setImmediate(resolve));
        if (isClosing) await new Promise(() => {});
      },
      close: () => {
        isClosing = true;
        return inner.close();
      },
    };
  } }],
];

function plantedLink({ link: change, openAgain, busy = false }: LinkFault): Parameters<typeof linkClauses>[0] {
  let opened: ByteLink[] = [];
  const make = (): { link: ByteLink; far: ReturnType<typeof createMemoryLink>['far'] } => {
    if (busy && opened.length > 0) throw new TorsiondError('LINK_BUSY', 'it is open already');
    const { link: inner, far } = createMemoryLink(systemClock);
    const link: ByteLink = {
      label: inner.label, ended: inner.ended, listen: (listener) => inner.listen(listener), pause: () => inner.pause!(), resume: () => inner.resume!(),
      write: (data) => inner.write(data), close: () => inner.close(), ...change?.(inner),
    };
    opened.push(link);
    void inner.ended.then(() => (opened = opened.filter((one) => one !== link)));
    return { link, far };
  };
  const plainAgain = async (open: () => ByteLink, signal?: AbortSignal): Promise<ByteLink> => {
    if (signal?.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up');
    return open();
  };
  return {
    name: 'planted', supports: { exclusive: false, writes: true }, openAbsent: null,
    open: async () => {
      const { link, far } = make();
      return { link, far: { send: async (data) => void (far.isOpen && far.deliver(data)), received: () => Buffer.concat(far.written), unplug: async () => far.unplug() } };
    },
    openAgain: (signal) => (openAgain ?? plainAgain)(() => make().link, signal),
    cleanUp: async () => {
      await Promise.all(opened.map((link) => link.close().catch(asError)));
      opened = [];
    },
  };
}

describe('a framer', () => {
  const clauses = (create: () => Framer): ReturnType<typeof framerClauses> => framerClauses({ create, encode: (n) => Buffer.from(`${(n * 1.0625 - 40).toFixed(4)},${n}\n`), resync: LF });

  it('without a fault keeps all clauses, also behind the wrapper', async () => {
    expect(await brokenOf(clauses(() => plantedFramer(() => ({}))))).toEqual([]);
  });

  it.each(FRAMER_FAULTS)('that %s breaks %s alone', async (_, clause, make) => {
    expect(await brokenOf(clauses(make))).toEqual([clause]);
  });
});

describe('a link', () => {
  it('without a fault keeps all clauses, also behind the wrapper', async () => {
    expect(await brokenOf(linkClauses(plantedLink({})))).toEqual([]);
  });

  it.each(LINK_FAULTS)('that %s breaks %s alone', async (_, clause, fault) => {
    expect(await brokenOf(linkClauses(plantedLink(fault)))).toEqual([clause]);
  });

  it('that cannot pause must say so', async () => {
    const harness = plantedLink({ link: () => ({ pause: undefined, resume: undefined }) as unknown as Partial<ByteLink> });
    expect(await brokenOf(linkClauses(harness))).toEqual(['L11', 'L14', 'L15']);
    expect(await brokenOf(linkClauses({ ...harness, supports: { ...harness.supports, pauses: false } }))).toEqual([]);
  });
});
