/** Plays recorded bytes as if a device sent them now. The times of the chunks are those of the recording. */
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { ByteChunk, ByteLink, LinkContext } from './link.ts';
import { LinkCore } from './link-core.ts';

export interface ReplayOptions {
  /** 1: as it was; 2: twice as fast; `max`: as fast as the reader takes it. */
  readonly speed: number | 'max';
  readonly label?: string;
}

export interface ReplayLink extends ByteLink {
  /** Writes to a recording reach nobody; they are taken, so that start commands do not fail, and counted. */
  readonly ignoredWrites: number;
}

/** At full speed other work gets its turn after so many bytes. */
const BYTES_PER_TURN = 256 * 1024;

/**
 * Begins to play when a listener comes; ends `finished` after the last chunk, `lost` when the recording cannot be
 * read on. Chunk times that go back are held at the latest one. The chunks' bytes must be the link's to give away.
 * @throws TorsiondError INTERNAL when the speed is neither positive nor `max`; LINK_CLOSED when already aborted
 */
export function openReplayLink(
  chunks: Iterable<ByteChunk> | AsyncIterable<ByteChunk>, options: ReplayOptions, context: LinkContext,
): ReplayLink {
  const { speed, label = 'recording' } = options;
  if (speed !== 'max' && !(speed > 0 && Number.isFinite(speed))) throw new TorsiondError('INTERNAL', `replay speed ${speed} is not positive`, { where: label });
  if (context.signal.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up', { where: label });

  let ignoredWrites = 0;
  let wake: (() => void) | null = null;
  let cancelWait: (() => void) | null = null;
  const stir = (): void => {
    cancelWait?.();
    cancelWait = null;
    wake?.();
    wake = null;
  };
  const core = new LinkCore(label, context.clock, {
    hold: () => {},
    release: stir,
    fail: (error) => {
      core.finish({ reason: 'lost', error });
      stir();
    },
  });
  const released = (): Promise<void> => new Promise((resolve) => {
    wake = resolve;
  });
  const waited = (delayMs: number): Promise<void> => new Promise((resolve) => {
    wake = resolve;
    cancelWait = context.clock.after(delayMs, stir);
  });

  const play = async (): Promise<void> => {
    let firstMs: number | null = null;
    let startedMs: number | null = null;
    let turnBytes = 0;
    for await (const chunk of chunks) {
      if (core.end) return;
      if (speed === 'max') {
        turnBytes += chunk.data.length;
        if (turnBytes >= BYTES_PER_TURN) {
          turnBytes = 0;
          await new Promise((resolve) => setImmediate(resolve));
        }
      } else {
        firstMs ??= chunk.atMs;
        startedMs ??= context.clock.monoMs();
        // A wait cut short by pause and resume is taken up again.
        for (let dueMs = startedMs + (chunk.atMs - firstMs) / speed; !core.end;) {
          const leftMs = dueMs - context.clock.monoMs();
          if (leftMs <= 0) break;
          await waited(leftMs);
        }
      }
      while (core.isHeld && !core.end) await released();
      if (core.end) return;
      core.deliver(chunk.data, chunk.atMs);
    }
    while (core.isHeld && !core.end) await released();
    core.finish({ reason: 'finished' });
  };

  return {
    label,
    ended: core.ended,
    listen: (listener) => {
      core.listen(listener);
      play().catch((thrown: unknown) => core.finish({ reason: 'lost', error: asTorsiondError(thrown, 'INPUT_FORMAT') }));
    },
    pause: () => core.pause(),
    resume: () => core.resume(),
    write: async () => {
      core.assertOpen();
      ignoredWrites++;
    },
    close: async () => {
      core.finish({ reason: 'closed' });
      stir();
    },
    get ignoredWrites() {
      return ignoredWrites;
    },
  };
}
