/** Listening and asking on one open link, each for a bounded time and 64 KiB. */
import type { ByteLink, LinkContext, OpenLink } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { HeardBytes } from './heard.ts';

/** Enough for every judgement; more is not kept. */
const KEPT_BYTES = 64 * 1024;
/** An answer is over when nothing more came for so long, ms. */
const ANSWER_OVER_MS = 60;

export class Conversation {
  readonly #link: ByteLink;
  readonly #clock: Clock;
  readonly #signal: AbortSignal;
  #gathering: Gathering;
  #hasEnded = false;
  #lost: TorsiondError | null = null;
  /** Called when bytes came, or the link ended. */
  #onNews: () => void = () => {};

  private constructor(link: ByteLink, { clock, signal }: LinkContext) {
    this.#link = link;
    this.#clock = clock;
    this.#signal = signal;
    this.#gathering = new Gathering(clock.monoMs());
    link.listen((chunk) => {
      this.#gathering.add(chunk.data, chunk.atMs);
      this.#onNews();
    });
    void link.ended.then((end) => {
      this.#hasEnded = true;
      if (end.reason === 'lost') this.#lost = end.error;
      this.#onNews();
    });
  }

  /** Opens, lets `talk` have its way, and closes. @throws TorsiondError of the LINK_ area when it does not open */
  static async over<Result>(open: OpenLink, context: LinkContext, talk: (conversation: Conversation) => Promise<Result>): Promise<Result> {
    const link = await open(context);
    try {
      return await talk(new Conversation(link, context));
    } finally {
      await link.close();
    }
  }

  /** The device closed the connection, or somebody stops the probe: nothing can be asked any more. */
  get isOver(): boolean {
    return this.#hasEnded || this.#signal.aborted;
  }

  /** Why it is over, when the other side ended it. */
  get lost(): TorsiondError | null {
    return this.#lost;
  }

  get clock(): Clock {
    return this.#clock;
  }

  listen(ms: number): Promise<HeardBytes> {
    return this.#gather(ms, null);
  }

  /** Sends a question and listens until its answer is over, at most so long. Without bytes: nobody answered, or nobody took it. */
  async ask(question: Uint8Array, mostMs: number): Promise<HeardBytes> {
    if (this.isOver) return { data: new Uint8Array(0), arrivals: [] };
    this.#gathering = new Gathering(this.#clock.monoMs());
    try {
      await this.#link.write(question);
    } catch (thrown) {
      if (!(thrown instanceof TorsiondError)) throw thrown;
      return { data: new Uint8Array(0), arrivals: [] };
    }
    return this.#gather(mostMs, ANSWER_OVER_MS);
  }

  #gather(mostMs: number, overMs: number | null): Promise<HeardBytes> {
    const gathering = this.#gathering;
    return new Promise((resolve) => {
      let cancelOver = (): void => {};
      const done = (): void => {
        cancelMost();
        cancelOver();
        this.#signal.removeEventListener('abort', done);
        this.#onNews = () => {};
        this.#gathering = new Gathering(this.#clock.monoMs());
        resolve(gathering.taken());
      };
      const cancelMost = this.#clock.after(mostMs, done);
      this.#signal.addEventListener('abort', done);
      this.#onNews = () => {
        if (this.#hasEnded) return done();
        if (overMs === null) return;
        cancelOver();
        cancelOver = this.#clock.after(overMs, done);
      };
      if (this.isOver) done();
      else if (overMs !== null && !gathering.isEmpty) this.#onNews();
    });
  }
}

class Gathering {
  readonly #chunks: Uint8Array[] = [];
  readonly #arrivals: { at: number; atMs: number }[] = [];
  readonly #beganMs: number;
  #bytes = 0;

  constructor(beganMs: number) {
    this.#beganMs = beganMs;
  }

  get isEmpty(): boolean {
    return this.#bytes === 0;
  }

  add(data: Uint8Array, atMs: number): void {
    if (this.#bytes >= KEPT_BYTES) return;
    this.#chunks.push(data);
    this.#arrivals.push({ at: this.#bytes, atMs });
    this.#bytes += data.length;
  }

  taken(): HeardBytes {
    return { data: Uint8Array.from(Buffer.concat(this.#chunks)), arrivals: this.#arrivals, beganMs: this.#beganMs };
  }
}
