/** Reads a recording as it was made, in bounded memory. A cut or damaged file is read up to the damage, which is then told. */
import { TorsiondError } from '../../shared/errors.ts';
import { inputNotFound, openInput, type OpenInput } from './input-file.ts';
import { RecordingParser, type RecordingItem } from './recording-parser.ts';

export type { RecordingItem } from './recording-parser.ts';

/** Gives item after item of what was read; null: it takes more. Who takes them may wait between them. */
export type NextItem = () => RecordingItem | null;

/**
 * One function for each stretch of the file that was read, to be called until it gives null: an answer for each item would
 * be a promise for each, of which there are millions.
 * @throws TorsiondError INPUT_NOT_FOUND, or INPUT_FORMAT for a file that is no recording of torsiond, also from the
 *   functions. A file that was cut or damaged is no exception: it gives `cut` (INPUT_CUT) last.
 */
export async function* recordingStretches(input: OpenInput, onBytes?: (bytes: number) => void): AsyncGenerator<NextItem, void, void> {
  const { path } = input;
  const parser = new RecordingParser(path);
  const next = (): RecordingItem | null => parser.next();
  try {
    for await (const bytes of input.bytes) {
      onBytes?.(input.bytesRead());
      parser.append(bytes);
      yield next;
      if (parser.isOver) return;
    }
  } catch (thrown) {
    if (thrown instanceof TorsiondError) throw thrown;
    throw inputNotFound(path, thrown);
  } finally {
    input.close();
  }
  let last = parser.end();
  if (last === null) return;
  yield () => {
    const item = last;
    last = null;
    return item;
  };
}

/** Item by item. */
export async function* readRecording(path: string): AsyncGenerator<RecordingItem, void, void> {
  for await (const next of recordingStretches(await openInput(path, 'mcap'))) {
    for (let item = next(); item !== null; item = next()) yield item;
  }
}
