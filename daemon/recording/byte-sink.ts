/** Where the bytes of a recording go: a file, or the answer to a client. */
import { open, type FileHandle } from 'node:fs/promises';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';

export interface ByteSink {
  /** Resolves when more may be written. One call at a time; the bytes are the sink's to keep. @throws what went wrong */
  write(bytes: Uint8Array): Promise<void>;
  /** Everything is written: resolves when it is where it belongs. @throws what went wrong */
  end(): Promise<void>;
  /** Lets go at once, without a proper end; a write that waits must reject. Idempotent, never throws. */
  abandon(reason: TorsiondError): void;
}

/** What was written is on the disk within this time, ms. */
const SYNC_EVERY_MS = 1_000;

/**
 * A new file, synced within a second of each write.
 * @throws TorsiondError OUTPUT_FAILED when it exists already or cannot be made
 */
export async function createFileSink(path: string, clock: Clock): Promise<ByteSink> {
  let file: FileHandle;
  try {
    file = await open(path, 'wx');
  } catch (thrown) {
    throw outputFailed(thrown, path, 'the recording cannot be created');
  }
  let cancelSync: (() => void) | null = null;
  let syncFault: unknown = null;
  const sync = (): void => {
    cancelSync = null;
    file.datasync().catch((thrown: unknown) => (syncFault ??= thrown));
  };
  return {
    write: async (bytes) => {
      try {
        if (syncFault !== null) throw outputFailed(syncFault, path, 'the recording cannot be written');
        for (let rest = bytes; rest.byteLength > 0; ) rest = rest.subarray((await file.write(rest)).bytesWritten);
        cancelSync ??= clock.after(SYNC_EVERY_MS, sync);
      } catch (thrown) {
        throw thrown instanceof TorsiondError ? thrown : outputFailed(thrown, path, 'the recording cannot be written');
      }
    },
    end: async () => {
      cancelSync?.();
      try {
        await file.datasync();
      } catch (thrown) {
        throw outputFailed(thrown, path, 'the recording cannot be written');
      } finally {
        await file.close();
      }
    },
    abandon: () => {
      cancelSync?.();
      void file.close().catch(() => {});
    },
  };
}

function outputFailed(thrown: unknown, path: string, what: string): TorsiondError {
  const code = (thrown as NodeJS.ErrnoException | null)?.code;
  const reason = code === 'EEXIST' ? 'the file exists already and is not overwritten' : `${what} (${code ?? String(thrown)})`;
  return new TorsiondError('OUTPUT_FAILED', reason, { where: path, cause: thrown });
}
