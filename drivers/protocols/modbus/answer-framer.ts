/**
 * Finds the answer to the present request among the bytes, by unit, function, length and CRC or transaction number,
 * never by pauses: adapters and networks make and remove those. Every position is looked at, so noise before an answer
 * costs nothing but itself.
 */
import type { Answer, LookForAnswer, Request } from './codec.ts';

/** The longest answer, RTU or TCP, and room for as much noise before it. */
const KEPT_BYTES = 520;

export class AnswerFramer {
  discardedBytes = 0;
  readonly #look: LookForAnswer;
  readonly #kept = new Uint8Array(KEPT_BYTES);
  #length = 0;
  #request: Request | null = null;
  #transaction = 0;
  #heard = 0;

  constructor(look: LookForAnswer) {
    this.#look = look;
  }

  /** Bytes since the last request left. */
  get heardBytes(): number {
    return this.#heard;
  }

  get buffered(): number {
    return this.#length;
  }

  /** A request leaves: what came before it answers nothing. */
  expect(request: Request, transaction: number): void {
    this.reset();
    this.#request = request;
    this.#transaction = transaction;
  }

  /** Nothing is expected any more. */
  reset(): void {
    this.discardedBytes += this.#length;
    this.#length = 0;
    this.#heard = 0;
    this.#request = null;
  }

  /** @returns the answer when these bytes complete it; `damaged` when they complete one that begins where the first byte stood and its checksum is wrong */
  push(chunk: Uint8Array): Answer | 'damaged' | null {
    let result: Answer | 'damaged' | null = null;
    this.#heard += chunk.length;
    for (let from = 0; from < chunk.length; from += KEPT_BYTES / 2) {
      const piece = chunk.subarray(from, from + KEPT_BYTES / 2);
      if (this.#request === null || result !== null) this.discardedBytes += piece.length;
      else result = this.#take(piece, this.#request);
    }
    return result;
  }

  #take(piece: Uint8Array, request: Request): Answer | 'damaged' | null {
    if (this.#length + piece.length > KEPT_BYTES) this.#drop(this.#length + piece.length - KEPT_BYTES);
    this.#kept.set(piece, this.#length);
    this.#length += piece.length;
    let firstBegun = this.#length;
    let isDamaged = false;
    for (let at = 0; at < this.#length; at++) {
      const candidate = this.#look(this.#kept, at, this.#length, request, this.#transaction);
      if (candidate.kind === 'whole') {
        this.discardedBytes += this.#length - (candidate.end - at);
        this.#length = 0;
        this.#request = null;
        return candidate.answer;
      }
      if (candidate.kind === 'damaged' && at === 0 && this.#heard === this.#length) isDamaged = true;
      if (candidate.kind === 'begun' && firstBegun === this.#length) firstBegun = at;
    }
    if (isDamaged) return 'damaged';
    this.#drop(firstBegun);
    return null;
  }

  #drop(bytes: number): void {
    this.discardedBytes += bytes;
    this.#kept.copyWithin(0, bytes, this.#length);
    this.#length -= bytes;
  }
}
