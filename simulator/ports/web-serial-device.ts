/**
 * A serial port as the W3C Web Serial text describes it (`SerialPort`), with a virtual device at its other end. Written
 * from that text: states closed, opening, opened, closing, forgotten; `readable` and `writable` made anew when needed; a
 * read error that the port survives errors the stream and the next `readable` is a new one; when the device is gone
 * both stay null.
 */

export type ReadErrorName = 'BufferOverrunError' | 'BreakError' | 'FramingError' | 'ParityError';

export interface WebSerialOptions {
  readonly baudRate: number;
  readonly dataBits?: number;
  readonly stopBits?: number;
  readonly parity?: string;
  readonly bufferSize?: number;
  readonly flowControl?: string;
}

/** What the device's side is told and asked. */
export interface DeviceSide {
  readonly isPresent: () => boolean;
  /** Bytes that the page wrote. Resolves when the device has them. */
  readonly write: (bytes: Uint8Array) => Promise<void>;
  readonly onOpen: (isOpen: boolean) => void;
  /** So many bytes that waited for a reader were thrown away. */
  readonly onDiscarded: (bytes: number) => void;
  readonly onSignals: (signals: { dataTerminalReady: boolean; requestToSend: boolean; break: boolean }) => void;
}

export const DEFAULT_BUFFER_BYTES = 255;

type ReadController = ReadableStreamDefaultController<Uint8Array>;

export class WebSerialPort extends EventTarget {
  readonly #device: DeviceSide;
  readonly #info: { readonly usbVendorId?: number; readonly usbProductId?: number };
  #state: 'closed' | 'opening' | 'opened' | 'closing' | 'forgotten' = 'closed';
  #options: Required<WebSerialOptions> | null = null;
  #readable: ReadableStream<Uint8Array> | null = null;
  #readController: ReadController | null = null;
  #writable: WritableStream<Uint8Array> | null = null;
  #writeController: WritableStreamDefaultController | null = null;
  /** Ends a write that the device does not take. */
  #rejectWrite: (error: Error) => void = () => {};
  /** The device is gone: no stream is made any more until the port is opened again. */
  #isFatal = false;
  #received: Uint8Array[] = [];
  #receivedBytes = 0;
  #wake: () => void = () => {};
  /** Comes after `#received` and before `#afterError`. */
  #pendingError: ReadErrorName | null = null;
  #afterError: Uint8Array[] = [];
  #signals = { dataTerminalReady: false, requestToSend: false, break: false };
  onconnect: ((event: Event) => void) | null = null;
  ondisconnect: ((event: Event) => void) | null = null;

  constructor(device: DeviceSide, info: { readonly usbVendorId?: number; readonly usbProductId?: number }) {
    super();
    this.#device = device;
    this.#info = info;
    this.addEventListener('connect', (event) => this.onconnect?.(event));
    this.addEventListener('disconnect', (event) => this.ondisconnect?.(event));
  }

  get connected(): boolean {
    return this.#device.isPresent();
  }

  get isOpen(): boolean {
    return this.#state === 'opened';
  }

  /** As opened; null while closed. */
  get options(): Required<WebSerialOptions> | null {
    return this.#options;
  }

  /** Bytes that wait for a reader. */
  get waitingBytes(): number {
    return this.#receivedBytes;
  }

  getInfo(): { usbVendorId?: number; usbProductId?: number } {
    return { ...this.#info };
  }

  async open(options: WebSerialOptions): Promise<void> {
    if (this.#state !== 'closed') throw new DOMException(this.#state === 'forgotten' ? 'The port was forgotten.' : 'The port is already open.', 'InvalidStateError');
    const { baudRate, dataBits = 8, stopBits = 1, parity = 'none', bufferSize = DEFAULT_BUFFER_BYTES, flowControl = 'none' } = options;
    if (!(baudRate > 0)) throw new TypeError('baudRate must be positive');
    if (dataBits !== 7 && dataBits !== 8) throw new TypeError('dataBits must be 7 or 8');
    if (stopBits !== 1 && stopBits !== 2) throw new TypeError('stopBits must be 1 or 2');
    if (!['none', 'even', 'odd'].includes(parity)) throw new TypeError('parity must be none, even or odd');
    if (!(bufferSize > 0)) throw new TypeError('bufferSize must be positive');
    if (flowControl !== 'none' && flowControl !== 'hardware') throw new TypeError('flowControl must be none or hardware');
    this.#state = 'opening';
    // The operating system answers later, never within the call.
    await Promise.resolve();
    if (!this.#device.isPresent()) {
      this.#state = 'closed';
      throw new DOMException('Failed to open serial port.', 'NetworkError');
    }
    this.#options = { baudRate, dataBits, stopBits, parity, bufferSize, flowControl };
    this.#isFatal = false;
    this.#state = 'opened';
    this.#device.onOpen(true);
  }

  get readable(): ReadableStream<Uint8Array> | null {
    if (this.#readable) return this.#readable;
    if (this.#state !== 'opened' || this.#isFatal) return null;
    const stream = new ReadableStream<Uint8Array>({
      start: (controller) => {
        this.#readController = controller;
      },
      pull: (controller) => this.#pull(controller),
      cancel: () => {
        this.#discard();
        this.#readable = null;
        this.#readController = null;
        this.#wake();
      },
    }, { highWaterMark: 0 });
    this.#readable = stream;
    return stream;
  }

  get writable(): WritableStream<Uint8Array> | null {
    if (this.#writable) return this.#writable;
    if (this.#state !== 'opened' || this.#isFatal) return null;
    const stream = new WritableStream<Uint8Array>({
      start: (controller) => {
        this.#writeController = controller;
      },
      write: (bytes, controller) => new Promise((resolve, reject) => {
        this.#rejectWrite = reject;
        controller.signal.addEventListener('abort', () => reject(controller.signal.reason as Error));
        this.#device.write(bytes.slice()).then(resolve, reject);
      }),
      close: () => this.#dropWritable(),
      abort: () => this.#dropWritable(),
    });
    this.#writable = stream;
    return stream;
  }

  async setSignals(signals: { dataTerminalReady?: boolean; requestToSend?: boolean; break?: boolean }): Promise<void> {
    if (this.#state !== 'opened') throw new DOMException('The port is not open.', 'InvalidStateError');
    if (Object.values(signals).every((signal) => signal === undefined)) throw new TypeError('Signals are empty.');
    this.#signals = { ...this.#signals, ...signals };
    this.#device.onSignals(this.#signals);
  }

  async getSignals(): Promise<{ dataCarrierDetect: boolean; clearToSend: boolean; ringIndicator: boolean; dataSetReady: boolean }> {
    if (this.#state !== 'opened') throw new DOMException('The port is not open.', 'InvalidStateError');
    return { dataCarrierDetect: false, clearToSend: true, ringIndicator: false, dataSetReady: true };
  }

  /** Rejects while a reader or writer holds its lock. */
  async close(): Promise<void> {
    if (this.#state !== 'opened') throw new DOMException('The port is already closed.', 'InvalidStateError');
    if (this.#readable?.locked === true || this.#writable?.locked === true) throw new TypeError('Cannot close a port whose streams are locked.');
    this.#state = 'closing';
    await this.#readable?.cancel().catch(() => {});
    await this.#writable?.abort().catch(() => {});
    this.#readable = null;
    this.#writable = null;
    this.#discard();
    this.#options = null;
    this.#isFatal = false;
    this.#state = 'closed';
    this.#device.onOpen(false);
  }

  async forget(): Promise<void> {
    if (this.#state === 'opened') await this.close();
    this.#state = 'forgotten';
  }

  // What the device's side does.

  /** @returns how many of the bytes there was no room for; they are lost and the page is told. */
  receive(bytes: Uint8Array): number {
    if (this.#state !== 'opened' || this.#isFatal) return 0;
    const room = Math.max(0, this.#options!.bufferSize - this.#receivedBytes);
    const kept = bytes.subarray(0, room);
    if (kept.length > 0) {
      (this.#pendingError === null ? this.#received : this.#afterError).push(kept.slice());
      this.#receivedBytes += kept.length;
    }
    if (kept.length < bytes.length) this.fail('BufferOverrunError');
    this.#wake();
    return bytes.length - kept.length;
  }

  /** A read error at this place among the bytes. */
  fail(name: ReadErrorName): void {
    if (this.#state !== 'opened' || this.#isFatal || this.#pendingError !== null) return;
    this.#pendingError = name;
    this.#wake();
  }

  /** The device is gone. */
  vanish(): void {
    if (this.#state === 'opened') {
      this.#isFatal = true;
      this.#discard();
      const error = new DOMException('The device has been lost.', 'NetworkError');
      this.#readable = null;
      this.#readController?.error(error);
      this.#readController = null;
      this.#writable = null;
      this.#writeController?.error(error);
      this.#rejectWrite(error);
      this.#writeController = null;
      this.#wake();
    }
    this.dispatchEvent(new Event('disconnect'));
  }

  async #pull(controller: ReadController): Promise<void> {
    while (this.#received.length === 0 && this.#pendingError === null && this.#readController === controller) {
      await new Promise<void>((resolve) => (this.#wake = resolve));
    }
    if (this.#readController !== controller) return;
    if (this.#received.length > 0) {
      const all = new Uint8Array(this.#received.reduce((sum, part) => sum + part.length, 0));
      let at = 0;
      for (const part of this.#received.splice(0)) {
        all.set(part, at);
        at += part.length;
      }
      this.#receivedBytes -= all.length;
      controller.enqueue(all);
      return;
    }
    const name = this.#pendingError!;
    this.#pendingError = null;
    this.#received = this.#afterError.splice(0);
    this.#readable = null;
    this.#readController = null;
    controller.error(new DOMException(`${name} while reading.`, name));
  }

  #discard(): void {
    if (this.#receivedBytes > 0) this.#device.onDiscarded(this.#receivedBytes);
    this.#received = [];
    this.#afterError = [];
    this.#receivedBytes = 0;
    this.#pendingError = null;
  }

  #dropWritable(): void {
    this.#writable = null;
    this.#writeController = null;
  }
}
