/** One opening of a Web Serial port: a read loop that outlives the errors a port outlives, writes in order, one end. */
import type { Clock } from '../clock.ts';
import { PORT_PAYLOAD_MAX } from '../wire/port-bytes.ts';
import type { PortCutName, PortLine } from '../wire/port-messages.ts';
import type { ForwardedPort, OpenPort, OpenPortEvents } from './open-port.ts';
import { serialPortName, type SerialPortLike } from './web-serial.ts';

/** Bytes that the browser keeps while nobody reads; beyond it they are lost, and it says so. */
const BUFFER_BYTES = 64 * 1024;

const CUT_NAMES: ReadonlySet<string> = new Set<PortCutName>(['BufferOverrunError', 'BreakError', 'FramingError', 'ParityError']);

export function forwardedSerialPort(port: SerialPortLike): ForwardedPort {
  return {
    kind: 'serial',
    name: serialPortName(port.getInfo()),
    onUnplugged: (listener) => {
      port.addEventListener('disconnect', listener);
      return () => port.removeEventListener('disconnect', listener);
    },
    prepare: (how, events, clock) => {
      if (how.type !== 'open') throw new TypeError('this page has a serial port');
      return new OpenSerialPort(port, how.line, events, clock);
    },
  };
}

class OpenSerialPort implements OpenPort {
  readonly #port: SerialPortLike;
  readonly #line: PortLine;
  readonly #events: OpenPortEvents;
  readonly #clock: Clock;
  #reader: ReadableStreamDefaultReader<Uint8Array> | null = null;
  #writer: WritableStreamDefaultWriter<Uint8Array> | null = null;
  #reading: Promise<void> = Promise.resolve();
  #opening: Promise<void> = Promise.resolve();
  #mayRead = true;
  #onMayRead: () => void = () => {};
  #isEnding = false;
  #closing: Promise<void> | null = null;

  constructor(port: SerialPortLike, line: PortLine, events: OpenPortEvents, clock: Clock) {
    this.#port = port;
    this.#line = line;
    this.#events = events;
    this.#clock = clock;
  }

  /** @throws what the browser throws: NetworkError, InvalidStateError, TypeError … */
  async open(): Promise<void> {
    const { baudRate, dataBits, stopBits, parity, flowControl, dtr, rts } = this.#line;
    this.#opening = this.#port.open({ baudRate, dataBits, stopBits, parity, flowControl, bufferSize: BUFFER_BYTES });
    await this.#opening;
    if (dtr === null && rts === null) return;
    try {
      await this.#port.setSignals({ ...(dtr === null ? {} : { dataTerminalReady: dtr }), ...(rts === null ? {} : { requestToSend: rts }) });
    } catch (thrown) {
      await this.#port.close().catch(() => {});
      throw thrown;
    }
  }

  /** Begins to read. */
  start(): void {
    this.#port.addEventListener('disconnect', this.#onDisconnect);
    this.#reading = this.#read();
  }

  /** While held nothing is read, and the browser's own buffer fills. */
  hold(isHeld: boolean): void {
    this.#mayRead = !isHeld;
    if (!isHeld) this.#onMayRead();
  }

  /** Resolves when the browser has taken the bytes. @throws what the browser throws */
  async write(data: Uint8Array): Promise<void> {
    const { writable } = this.#port;
    if (this.#isEnding || !writable) throw new TypeError('the port is not open');
    // The stream writes in order, so several may wait in it.
    this.#writer ??= writable.getWriter();
    try {
      await this.#writer.write(data);
    } catch (thrown) {
      this.#dropWriter();
      throw thrown;
    }
  }

  /** Lets the port go. Idempotent; never rejects. */
  close(): Promise<void> {
    this.#isEnding = true;
    return (this.#closing ??= this.#letGo());
  }

  readonly #onDisconnect = (): void => this.#lose('the device was unplugged');

  #lose(message: string): void {
    if (this.#isEnding) return;
    this.#isEnding = true;
    this.#closing = this.#letGo();
    this.#events.lost(message);
  }

  async #letGo(): Promise<void> {
    this.#port.removeEventListener('disconnect', this.#onDisconnect);
    this.#onMayRead();
    // A port that is being opened can only be closed afterwards.
    await this.#opening.catch(() => {});
    await this.#reader?.cancel().catch(() => {});
    await this.#reading.catch(() => {});
    const writer = this.#writer;
    this.#writer = null;
    if (writer) {
      await writer.abort().catch(() => {});
      writer.releaseLock();
    }
    await this.#port.close().catch(() => {});
  }

  async #read(): Promise<void> {
    while (!this.#isEnding) {
      const { readable } = this.#port;
      if (!readable) return this.#lose('the port gives nothing to read any more');
      const reader = readable.getReader();
      this.#reader = reader;
      try {
        while (!this.#isEnding) {
          if (!this.#mayRead) await new Promise<void>((resolve) => (this.#onMayRead = resolve));
          if (this.#isEnding) break;
          const { value, done } = await reader.read();
          if (done) break;
          const atMs = this.#clock.monoMs();
          for (let from = 0; from < value.length; from += PORT_PAYLOAD_MAX) this.#events.bytes(value.subarray(from, from + PORT_PAYLOAD_MAX), atMs);
        }
        if (!this.#isEnding) this.#lose('the port ended');
      } catch (thrown) {
        const { name, message } = thrown as Error;
        if (this.#isEnding) return;
        if (!CUT_NAMES.has(name)) return this.#lose(message === '' ? name : message);
        this.#events.cut(name as PortCutName, this.#clock.monoMs());
      } finally {
        this.#reader = null;
        reader.releaseLock();
      }
    }
  }

  #dropWriter(): void {
    this.#writer?.releaseLock();
    this.#writer = null;
  }
}
