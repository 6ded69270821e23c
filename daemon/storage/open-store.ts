/** Opens the store of a data directory: owner lock, writer thread, reader thread. */
import { join } from 'node:path';
import { type Clock, systemClock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { AppendQueue } from './append-queue.ts';
import { makeDataDirectory } from './data-directory.ts';
import type { NoteStore } from './notes.ts';
import { lockDataDirectory } from './owner-lock.ts';
import type { ReadingStore } from './store.ts';
import type { RequestKind, Requests } from './worker-messages.ts';
import { WorkerThread } from './worker-thread.ts';

const DATA_FILE = 'torsiond.db';

export interface StoreOptions {
  readonly clock?: Clock;
  readonly log?: (message: string) => void;
  /** Limit of the data file in pages of 4 KiB, for tests of a full disk; a function is asked before each write. */
  readonly maxPages?: number | (() => number);
  /** Another entry for the writer thread, for tests of its death. */
  readonly writerEntry?: URL;
}

export type ReadOnlyStore = Pick<ReadingStore, 'readings' | 'reading' | 'trace' | 'audit' | 'close'> & Pick<NoteStore, 'notes'>;
export type OpenedStore = ReadingStore & NoteStore;

/**
 * For the daemon, the only one to write. Makes the directory (mode 0700) and the data file when there is none.
 * @throws TorsiondError STORE_IN_USE, STORE_NEWER, STORE_MIGRATION, STORE_FAILED, STORE_FULL
 */
export async function openStore(dataDirectory: string, options: StoreOptions = {}): Promise<OpenedStore> {
  const clock = options.clock ?? systemClock;
  const log = options.log ?? (() => undefined);
  makeDataDirectory(dataDirectory);
  const lock = lockDataDirectory(dataDirectory, new Date(clock.wallMs()).toISOString());
  const path = join(dataDirectory, DATA_FILE);
  const { maxPages } = options;
  const queue = new AppendQueue({
    path,
    clock,
    log,
    maxPages: () => (typeof maxPages === 'function' ? maxPages() : maxPages ?? null),
    startWriter: (onDeath) => WorkerThread.start({ role: 'writer', path }, { log, onDeath, entry: options.writerEntry }),
  });
  try {
    await queue.open();
  } catch (thrown) {
    lock.release();
    throw thrown;
  }
  // Not waited for: whoever asks first waits, and is told if it cannot be opened.
  const queries = new Queries(path);
  return {
    ...queries.surface(),
    append: (reading, trace) => queue.append(reading, trace),
    status: () => queue.status(),
    onStatus: (listener) => queue.onStatus(listener),
    addNote: async (note) => {
      if (note.text.length < 1 || note.text.length > 4_000 || note.who.length < 1 || note.id.length < 1) {
        throw new TorsiondError('MESSAGE_INVALID', 'a note needs an id, a person and a text of 1 to 4000 characters');
      }
      return queue.writer.request('note', { note, at: new Date(clock.wallMs()).toISOString() });
    },
    close: async () => {
      await queries.close();
      await queue.close();
      lock.release();
    },
  };
}

/**
 * For commands, beside a running daemon or without one. Takes no lock and changes nothing.
 * @throws TorsiondError INPUT_NOT_FOUND, STORE_NEWER, STORE_FAILED
 */
export async function openStoreReadOnly(dataDirectory: string): Promise<ReadOnlyStore> {
  const queries = new Queries(join(dataDirectory, DATA_FILE));
  await queries.opened();
  return { ...queries.surface(), close: () => queries.close() };
}

/** The reader thread; one that died is replaced at the next query. */
class Queries {
  readonly #path: string;
  #thread: Promise<WorkerThread>;
  #isClosed = false;

  constructor(path: string) {
    this.#path = path;
    this.#thread = this.#start();
  }

  /** @throws TorsiondError INPUT_NOT_FOUND, STORE_NEWER, STORE_FAILED */
  async opened(): Promise<void> {
    await this.#thread;
  }

  surface(): Omit<ReadOnlyStore, 'close'> {
    return {
      readings: (query) => this.#ask('readings', { query }),
      reading: (id) => this.#ask('reading', { id }),
      trace: (id) => this.#ask('trace', { id }),
      notes: (id) => this.#ask('notes', { id }),
      audit: (progress) => this.#ask('audit', {}, progress),
    };
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await (await this.#thread.catch(() => null))?.close();
  }

  async #ask<K extends RequestKind>(kind: K, ask: Requests[K]['ask'], progress?: (share: number) => void): Promise<Requests[K]['answer']> {
    if (this.#isClosed) throw new TorsiondError('STORE_FAILED', 'the store is closed', { where: this.#path });
    const thread = await this.#thread.catch(() => null);
    if (thread?.isAlive === true) return thread.request(kind, ask, progress);
    this.#thread = this.#start();
    return (await this.#thread).request(kind, ask, progress);
  }

  #start(): Promise<WorkerThread> {
    const thread = WorkerThread.start({ role: 'reader', path: this.#path }).then((started) => started.thread);
    // Told to whoever asks; nobody may.
    thread.catch(() => undefined);
    return thread;
  }
}
