/** Files that come in: what kind they are, and why they cannot be opened. */
import { open } from 'node:fs/promises';
import { extname } from 'node:path';
import { TorsiondError } from '../../shared/errors.ts';

export type InputKind = 'mcap' | 'csv' | 'ndjson';

const MCAP_MAGIC = Buffer.from([0x89, 0x4d, 0x43, 0x41, 0x50]);
const BY_EXTENSION: Readonly<Record<string, InputKind>> = { '.mcap': 'mcap', '.csv': 'csv', '.tsv': 'csv', '.ndjson': 'ndjson', '.jsonl': 'ndjson' };

export function inputNotFound(path: string, thrown: unknown): TorsiondError {
  const code = (thrown as NodeJS.ErrnoException | null)?.code;
  const what = code === 'ENOENT' || code === 'ENOTDIR' ? 'there is no such file'
    : code === 'EISDIR' ? 'this is a folder, not a file'
    : code === 'EACCES' ? 'the file may not be read'
    : `the file cannot be read (${code ?? String(thrown)})`;
  return new TorsiondError('INPUT_NOT_FOUND', what, { where: path, cause: thrown });
}

/**
 * By the first bytes where they are unmistakable, else by the extension.
 * @throws TorsiondError INPUT_NOT_FOUND, INPUT_FORMAT
 */
export async function inputKind(path: string): Promise<InputKind> {
  const head = Buffer.alloc(16);
  let length: number;
  try {
    const file = await open(path, 'r');
    try {
      ({ bytesRead: length } = await file.read(head, 0, head.length, 0));
    } finally {
      await file.close();
    }
  } catch (thrown) {
    throw inputNotFound(path, thrown);
  }
  if (head.subarray(0, MCAP_MAGIC.length).equals(MCAP_MAGIC)) return 'mcap';
  if (length >= 2 && ((head[0] === 0xff && head[1] === 0xfe) || (head[0] === 0xfe && head[1] === 0xff))) {
    throw new TorsiondError('INPUT_FORMAT', 'the file is UTF-16; UTF-8 is read', { where: path, hint: 'Save it as UTF-8 and try again.' });
  }
  const kind = BY_EXTENSION[extname(path).toLowerCase()];
  if (kind) return kind;
  throw new TorsiondError('INPUT_FORMAT', 'the kind of this file is not known by its name', { where: path });
}
