import type { Duplex } from 'node:stream';
import type { WebSocket } from 'ws';
import type { ServerCounters } from '../counters.ts';
import { STREAM_COUNTERS } from '../counters.ts';
import type { OutboxTransport } from './client-outbox.ts';

/**
 * The one place that sends on a socket. Everything else goes through the client's outbox. What is sent within one turn
 * of the event loop leaves in one write: a write costs more than what is in it.
 */
export class SocketTransport implements OutboxTransport {
  readonly #socket: WebSocket;
  readonly #connection: Duplex;
  #isCorked = false;
  readonly #counters: ServerCounters;
  readonly #onClosing: (code: number) => void;

  /** @param connection what the socket writes to */
  constructor(socket: WebSocket, connection: Duplex, counters: ServerCounters, onClosing: (code: number) => void) {
    this.#socket = socket;
    this.#connection = connection;
    this.#counters = counters;
    this.#onClosing = onClosing;
  }

  get bufferedAmount(): number {
    return this.#socket.bufferedAmount;
  }

  send(data: Uint8Array, binary: boolean): void {
    if (this.#socket.readyState !== this.#socket.OPEN) return;
    this.#counters.add(STREAM_COUNTERS.messagesSent);
    this.#counters.add(STREAM_COUNTERS.bytesSent, data.byteLength);
    this.#cork();
    this.#socket.send(data, { binary, compress: false }, ignoreFailure);
  }

  probe(mark: number): void {
    if (this.#socket.readyState !== this.#socket.OPEN) return;
    this.#cork();
    const payload = Buffer.alloc(4);
    payload.writeUInt32BE(mark);
    this.#socket.ping(payload, false, ignoreFailure);
  }

  answerPing(payload: Buffer): void {
    if (this.#socket.readyState === this.#socket.OPEN) this.#socket.pong(payload, false, ignoreFailure);
  }

  close(code: number, reason: string): void {
    this.#socket.close(code, reason);
    this.#onClosing(code);
  }

  terminate(): void {
    this.#socket.terminate();
  }

  #cork(): void {
    if (this.#isCorked) return;
    this.#isCorked = true;
    this.#connection.cork();
    setImmediate(() => {
      this.#isCorked = false;
      this.#connection.uncork();
    });
  }
}

/** The mark of a probe's answer; null when the answer is none of ours. */
export function probeMark(payload: Buffer): number | null {
  return payload.length === 4 ? payload.readUInt32BE() : null;
}

/** A failed send is followed by the socket's own close event, which is where it is dealt with. */
function ignoreFailure(): void {}
