/** The store's side of one worker thread: requests with answers, and one place that notices its death. */
import { Worker } from 'node:worker_threads';
import { TorsiondError } from '../../shared/errors.ts';
import { type FromWorker, type RequestKind, type Requests, revived, type WorkerStart } from './worker-messages.ts';

interface Call {
  resolve(answer: unknown): void;
  reject(error: TorsiondError): void;
  progress?: ((share: number) => void) | undefined;
}

/** The compiled file in a package, the source beside it in the repository. */
const ENTRY = new URL(import.meta.url.endsWith('.ts') ? './store-worker.ts' : './store-worker.js', import.meta.url);

export class WorkerThread {
  readonly #worker: Worker;
  readonly #where: string;
  readonly #calls = new Map<number, Call>();
  #lastCall = 0;
  #death: TorsiondError | null = null;
  #isClosing = false;

  private constructor(worker: Worker, where: string) {
    this.#worker = worker;
    this.#where = where;
  }

  /**
   * @param onDeath called once when the thread ends without having been closed
   * @throws TorsiondError of what the worker could not open
   */
  static start(
    start: WorkerStart,
    options: { log?: (message: string) => void; onDeath?: (error: TorsiondError) => void; entry?: URL | undefined } = {},
  ): Promise<{ thread: WorkerThread; lastSeq: number }> {
    const worker = new Worker(options.entry ?? ENTRY, { workerData: start, name: `store ${start.role}` });
    const thread = new WorkerThread(worker, start.path);
    return new Promise((resolve, reject) => {
      let isOpen = false;
      let reason = 'ended';
      worker.on('message', (message: FromWorker) => {
        if ('opened' in message) {
          isOpen = true;
          resolve({ thread, lastSeq: message.opened.lastSeq });
        } else if ('refused' in message) {
          thread.#isClosing = true;
          reject(revived(message.refused));
        } else if ('log' in message) {
          options.log?.(message.log);
        } else {
          thread.#answer(message);
        }
      });
      worker.on('error', (thrown: unknown) => {
        reason = `failed: ${thrown instanceof Error ? thrown.message : String(thrown)}`;
      });
      worker.on('messageerror', (thrown) => {
        reason = `sent what cannot be read: ${thrown.message}`;
        void worker.terminate();
      });
      worker.on('exit', (code) => {
        const error = new TorsiondError('STORE_FAILED', `the ${start.role} of the store ${reason} (code ${code})`, {
          where: start.path, hint: 'It is started again by itself. Whether the last readings were stored is unknown: hand them over again, each is stored once.',
        });
        thread.#end(error);
        if (!isOpen) reject(error);
        else if (!thread.#isClosing) options.onDeath?.(error);
      });
    });
  }

  get isAlive(): boolean {
    return this.#death === null;
  }

  /** @throws TorsiondError of the worker; STORE_FAILED when it died before it answered */
  request<K extends RequestKind>(kind: K, ask: Requests[K]['ask'], progress?: (share: number) => void): Promise<Requests[K]['answer']> {
    if (this.#death !== null) return Promise.reject(this.#death);
    this.#lastCall += 1;
    const call = this.#lastCall;
    return new Promise((resolve, reject) => {
      this.#calls.set(call, { resolve: (answer) => resolve(answer as Requests[K]['answer']), reject, progress });
      try {
        this.#worker.postMessage({ call, kind, ...ask });
      } catch (thrown) {
        // What cannot be cloned; the worker never saw it.
        this.#calls.delete(call);
        reject(new TorsiondError('INTERNAL', `the store was handed something that is no record: ${(thrown as Error).message}`, { where: this.#where, cause: thrown }));
      }
    });
  }

  /** Closes the database and ends the thread. */
  async close(): Promise<void> {
    if (this.#death !== null || this.#isClosing) return;
    this.#isClosing = true;
    const ended = new Promise<void>((resolve) => this.#worker.once('exit', () => resolve()));
    await this.request('close', {}).catch(() => this.#worker.terminate());
    await ended;
  }

  #answer(message: Extract<FromWorker, { call: number }>): void {
    const call = this.#calls.get(message.call);
    if (call === undefined) return;
    if ('progress' in message) {
      call.progress?.(message.progress);
      return;
    }
    this.#calls.delete(message.call);
    if ('error' in message) call.reject(revived(message.error));
    else call.resolve(message.answer);
  }

  #end(error: TorsiondError): void {
    this.#death = error;
    const calls = [...this.#calls.values()];
    this.#calls.clear();
    for (const call of calls) call.reject(error);
  }
}
