/** Reads a recording as it was made, in bounded memory. A cut or damaged file is read up to the damage, which is then told. */
import { McapStreamReader } from '@mcap/core';
import type { ByteChunk } from '../../drivers/links/link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { inputNotFound, openInput, type OpenInput } from './input-file.ts';
import { LONGEST_RECORD_BYTES, MARK_RECORD, readConnection, readMark, RECORDING_PROFILE, toMilliseconds, toNanoseconds, type RecordedConnection, type RecordedMark } from './recording-format.ts';

export type RecordingItem =
  | { readonly kind: 'connection'; readonly connection: RecordedConnection }
  /** `chunk.atMs` is the monotonic arrival time of the live run, the same double. */
  | { readonly kind: 'chunk'; readonly connection: RecordedConnection; readonly chunk: ByteChunk }
  | { readonly kind: 'mark'; readonly mark: RecordedMark }
  /** The last item of a file that does not end properly; what came before it is sound. */
  | { readonly kind: 'cut'; readonly error: TorsiondError };

interface Totals {
  messages: number;
  bytes: number;
}

/**
 * @throws TorsiondError INPUT_NOT_FOUND, or INPUT_FORMAT for a file that is no recording of torsiond. A file that was
 *   cut or damaged is no exception: it yields `cut` (INPUT_CUT) last.
 */
export async function* recordingItems(input: OpenInput, onBytes?: (bytes: number) => void): AsyncGenerator<RecordingItem, void, void> {
  const { path } = input;
  const reader = new McapStreamReader();
  const connections = new Map<number, { readonly connection: RecordedConnection; readonly shiftNs: bigint }>();
  const totals: Totals = { messages: 0, bytes: 0 };
  let isOurs = false;
  try {
    for await (const bytes of input.bytes) {
      onBytes?.(input.bytesRead());
      if (reader.done()) {
        yield { kind: 'cut', error: damaged(path, totals, 'bytes follow its end') };
        return;
      }
      reader.append(bytes);
      for (;;) {
        let record;
        try {
          record = reader.nextRecord();
        } catch (thrown) {
          if (!isOurs) throw notARecording(path, thrown);
          yield { kind: 'cut', error: damaged(path, totals, 'a record in it is damaged') };
          return;
        }
        if (!record) break;
        if (record.type === 'Header') {
          if (record.profile !== RECORDING_PROFILE) {
            throw new TorsiondError('INPUT_FORMAT', `this MCAP file was made by another program (profile "${record.profile}", library "${record.library}")`, { where: path });
          }
          isOurs = true;
        } else if (record.type === 'Channel' && !connections.has(record.id)) {
          const connection = readConnection(record.metadata, path);
          connections.set(record.id, { connection, shiftNs: toNanoseconds(connection.startMonoMs) - toNanoseconds(connection.startWallMs) });
          yield { kind: 'connection', connection };
        } else if (record.type === 'Metadata' && record.name === MARK_RECORD) {
          yield { kind: 'mark', mark: readMark(record.metadata, path) };
        } else if (record.type === 'Message') {
          const { connection, shiftNs } = connections.get(record.channelId)!;
          totals.messages++;
          totals.bytes += record.data.byteLength;
          // A copy: the reader's buffer is used again, and a listener may keep the bytes.
          yield { kind: 'chunk', connection, chunk: { data: record.data.slice(), atMs: toMilliseconds(record.logTime + shiftNs) } };
        }
      }
      if (reader.bytesRemaining() > LONGEST_RECORD_BYTES) {
        if (!isOurs) throw notARecording(path, undefined);
        yield { kind: 'cut', error: damaged(path, totals, 'a record in it is damaged') };
        return;
      }
    }
  } catch (thrown) {
    if (thrown instanceof TorsiondError) throw thrown;
    throw inputNotFound(path, thrown);
  } finally {
    input.close();
  }
  if (reader.done()) return;
  if (!isOurs) throw notARecording(path, undefined);
  yield { kind: 'cut', error: damaged(path, totals, 'it ends without its last records') };
}

/** The same of a file. */
export async function* readRecording(path: string): AsyncGenerator<RecordingItem, void, void> {
  yield* recordingItems(await openInput(path, 'mcap'));
}

function notARecording(path: string, cause: unknown): TorsiondError {
  return new TorsiondError('INPUT_FORMAT', 'this is no MCAP file', { where: path, cause });
}

function damaged(path: string, totals: Totals, what: string): TorsiondError {
  return new TorsiondError('INPUT_CUT', `the recording was cut: ${what}; read were ${totals.messages} chunks with ${totals.bytes} bytes`, { where: path });
}
