/** Files that come in: opened once and read once, so that a pipe will do; what kind they are tells their content. */
import { createReadStream } from 'node:fs';
import { open, stat } from 'node:fs/promises';
import type { Readable } from 'node:stream';
import { TorsiondError } from '../../shared/errors.ts';

export type InputKind = 'mcap' | 'csv' | 'ndjson';

export interface OpenInput {
  /** As the person gave it; `-` is standard input. */
  readonly path: string;
  readonly kind: InputKind;
  /** Bytes; null where it is not known before the end. */
  readonly size: number | null;
  /** From the beginning, once. Text is UTF-8, whatever the file is. @throws TorsiondError INPUT_NOT_FOUND */
  readonly bytes: AsyncGenerator<Buffer, void, void>;
  /** Bytes of the file read so far. */
  readonly bytesRead: () => number;
  /** Lets go of the file, read or not. */
  readonly close: () => void;
}

const STANDARD_INPUT = '-';
const MCAP_MAGIC = Buffer.from([0x89, 0x4d, 0x43, 0x41, 0x50]);
const LEAST_HEAD_BYTES = 16;
const READ_BYTES = 262_144;

export function inputNotFound(path: string, thrown: unknown): TorsiondError {
  const code = (thrown as NodeJS.ErrnoException | null)?.code;
  const what = code === 'ENOENT' || code === 'ENOTDIR' ? 'there is no such file'
    : code === 'EISDIR' ? 'this is a folder, not a file'
    : code === 'EACCES' ? 'the file may not be read'
    : `the file cannot be read (${code ?? String(thrown)})`;
  return new TorsiondError('INPUT_NOT_FOUND', what, { where: path, cause: thrown });
}

/**
 * @param format instead of what the content tells
 * @throws TorsiondError INPUT_NOT_FOUND
 */
export async function openInput(path: string, format?: InputKind): Promise<OpenInput> {
  const { stream, size } = await openStream(path);
  let read = 0;
  const counted = (async function* () {
    try {
      for await (const chunk of stream as AsyncIterable<Buffer>) {
        read += chunk.length;
        yield chunk;
      }
    } catch (thrown) {
      throw inputNotFound(path, thrown);
    } finally {
      stream.destroy();
    }
  })();
  let head: Buffer = Buffer.alloc(0);
  while (head.length < LEAST_HEAD_BYTES) {
    const next = await counted.next();
    if (next.done) break;
    head = Buffer.concat([head, next.value]);
  }
  const whole = startingWith(head, counted);
  const encoding = encodingOf(head);
  const kind = format ?? kindOf(head, encoding);
  return { path, kind, size, bytes: kind === 'mcap' ? whole : asUtf8(whole, encoding), bytesRead: () => read, close: () => void stream.destroy() };
}

/** What an ordinary file is, without reading it up; null for a pipe or standard input, which can be read once only. */
export async function peekKind(path: string, format?: InputKind): Promise<InputKind | null> {
  if (format !== undefined) return format;
  if (path === STANDARD_INPUT) return null;
  try {
    if (!(await stat(path)).isFile()) return null;
  } catch (thrown) {
    throw inputNotFound(path, thrown);
  }
  const input = await openInput(path);
  input.close();
  return input.kind;
}

async function openStream(path: string): Promise<{ stream: Readable; size: number | null }> {
  if (path === STANDARD_INPUT) return { stream: createReadStream('', { fd: 0, autoClose: false, highWaterMark: READ_BYTES }), size: null };
  try {
    const file = await open(path, 'r');
    const stat = await file.stat();
    if (stat.isDirectory()) {
      await file.close();
      throw Object.assign(new Error('folder'), { code: 'EISDIR' });
    }
    return { stream: file.createReadStream({ highWaterMark: READ_BYTES }), size: stat.isFile() ? stat.size : null };
  } catch (thrown) {
    throw inputNotFound(path, thrown);
  }
}

async function* startingWith(head: Buffer, rest: AsyncGenerator<Buffer, void, void>): AsyncGenerator<Buffer, void, void> {
  try {
    if (head.length > 0) yield head;
    yield* rest;
  } finally {
    await rest.return();
  }
}

type Encoding = 'utf-8' | 'utf-16le' | 'utf-16be';

function encodingOf(head: Buffer): Encoding {
  if (head[0] === 0xff && head[1] === 0xfe) return 'utf-16le';
  return head[0] === 0xfe && head[1] === 0xff ? 'utf-16be' : 'utf-8';
}

function kindOf(head: Buffer, encoding: Encoding): InputKind {
  if (head.subarray(0, MCAP_MAGIC.length).equals(MCAP_MAGIC)) return 'mcap';
  return new TextDecoder(encoding).decode(head).trimStart().startsWith('{') ? 'ndjson' : 'csv';
}

async function* asUtf8(chunks: AsyncGenerator<Buffer, void, void>, encoding: Encoding): AsyncGenerator<Buffer, void, void> {
  if (encoding === 'utf-8') {
    let isFirst = true;
    for await (const chunk of chunks) {
      const hasMark = isFirst && chunk[0] === 0xef && chunk[1] === 0xbb && chunk[2] === 0xbf;
      isFirst = false;
      yield hasMark ? chunk.subarray(3) : chunk;
    }
    return;
  }
  const decoder = new TextDecoder(encoding);
  for await (const chunk of chunks) yield Buffer.from(decoder.decode(chunk, { stream: true }), 'utf8');
  yield Buffer.from(decoder.decode(), 'utf8');
}
