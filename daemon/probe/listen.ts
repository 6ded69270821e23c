/** Listens on an open link for a bounded time, and asks where that is wanted. */
import type { Clock } from '../../shared/clock.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import type { HeardBytes } from './heard.ts';

export interface ListenOptions {
  readonly clock: Clock;
  readonly signal: AbortSignal;
  readonly listenMs: number;
  /** Sends questions that no device takes for an order: a carriage return and `*IDN?`. */
  readonly asks: boolean;
}

export interface Listened {
  /** Until the first question. */
  readonly heard: HeardBytes;
  /** What came after the questions; a streaming device goes on in it. */
  readonly answers: HeardBytes;
}

/** Enough for every judgement; more is not kept. */
const KEPT_BYTES = 64 * 1024;
const QUESTIONS = ['\r', '*IDN?\r\n'] as const;
/** How long an answer to one question is waited for, ms. */
const ANSWER_MS = 500;

/** @throws TorsiondError of the LINK_ area when the link does not open or take a question. */
export async function listen(open: OpenLink, options: ListenOptions): Promise<Listened> {
  const { clock, signal } = options;
  const link = await open({ clock, signal });
  const before = new Gathering();
  const after = new Gathering();
  let current = before;
  link.listen((chunk) => current.add(chunk.data, chunk.atMs));
  const isOver = { value: false };
  void link.ended.then(() => {
    isOver.value = true;
  });
  try {
    await waited(clock, options.listenMs, link.ended, signal);
    if (options.asks && !isOver.value && !signal.aborted) {
      current = after;
      for (const question of QUESTIONS) {
        if (isOver.value || signal.aborted) break;
        await link.write(new TextEncoder().encode(question));
        await waited(clock, ANSWER_MS, link.ended, signal);
      }
    }
  } finally {
    await link.close();
  }
  return { heard: before.taken(), answers: after.taken() };
}

class Gathering {
  readonly #chunks: Uint8Array[] = [];
  readonly #arrivals: { at: number; atMs: number }[] = [];
  #bytes = 0;

  add(data: Uint8Array, atMs: number): void {
    if (this.#bytes >= KEPT_BYTES) return;
    this.#chunks.push(data);
    this.#arrivals.push({ at: this.#bytes, atMs });
    this.#bytes += data.length;
  }

  taken(): HeardBytes {
    return { data: Uint8Array.from(Buffer.concat(this.#chunks)), arrivals: this.#arrivals };
  }
}

function waited(clock: Clock, ms: number, ended: Promise<unknown>, signal: AbortSignal): Promise<void> {
  if (signal.aborted) return Promise.resolve();
  return new Promise((resolve) => {
    const done = (): void => {
      cancel();
      signal.removeEventListener('abort', done);
      resolve();
    };
    const cancel = clock.after(ms, done);
    signal.addEventListener('abort', done);
    void ended.then(done);
  });
}
