/** Writes to a USB device: one after the other, in pieces, each with a time limit. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { usbError } from './usb-errors.ts';
import type { UsbDeviceShape, UsbEndpointShape, UsbOutResult } from '../../shared/usb-shapes.ts';

/** A device that takes nothing for so long holds up the line. */
export const USB_WRITE_LIMIT_MS = 2_000;
/** Largest piece, bytes; a multiple of every packet size. */
const PIECE_BYTES = 4_096;
const WAITING_MAX = 64;
const STALLS_MAX = 1;

export interface UsbWriterContext {
  readonly label: string;
  readonly clock: Clock;
  /** @throws TorsiondError LINK_CLOSED once the link has ended */
  assertOpen(): void;
  lost(error: TorsiondError): void;
}

export class UsbWriter {
  readonly #device: UsbDeviceShape;
  readonly #output: UsbEndpointShape | null;
  readonly #context: UsbWriterContext;
  #last: Promise<void> = Promise.resolve();
  #waiting = 0;
  #stalls = 0;

  constructor(device: UsbDeviceShape, output: UsbEndpointShape | null, context: UsbWriterContext) {
    this.#device = device;
    this.#output = output;
    this.#context = context;
  }

  /** That the device answered with, cleared or not. */
  get stalls(): number {
    return this.#stalls;
  }

  /** @throws TorsiondError LINK_UNSUPPORTED, LINK_CLOSED, LINK_LOST, LINK_WRITE_TIMEOUT */
  write(data: Uint8Array): Promise<void> {
    const output = this.#output;
    const { label } = this.#context;
    if (output === null) return Promise.reject(new TorsiondError('LINK_UNSUPPORTED', 'the interface has no endpoint to write to', { where: label }));
    if (this.#waiting >= WAITING_MAX) return Promise.reject(new TorsiondError('LINK_WRITE_TIMEOUT', `${WAITING_MAX} writes wait already`, { where: label }));
    this.#waiting++;
    const bytes = new Uint8Array(data);
    const done = this.#last.then(() => this.#writeAll(bytes, output.endpointNumber)).finally(() => this.#waiting--);
    this.#last = done.catch(() => {});
    return done;
  }

  /** What is under way gets so much time, ms. */
  drained(limitMs: number): Promise<void> {
    if (this.#waiting === 0) return Promise.resolve();
    return new Promise((resolve) => {
      const cancel = this.#context.clock.after(limitMs, resolve);
      void this.#last.then(() => {
        cancel();
        resolve();
      });
    });
  }

  async #writeAll(bytes: Uint8Array<ArrayBuffer>, endpoint: number): Promise<void> {
    const { label } = this.#context;
    let stalls = 0;
    for (let offset = 0; offset < bytes.length; ) {
      this.#context.assertOpen();
      const { status, bytesWritten } = await this.#transfer(endpoint, bytes.slice(offset, offset + PIECE_BYTES));
      offset += bytesWritten;
      if (status === 'ok' && bytesWritten > 0) continue;
      stalls += 1;
      if (status === 'stall') {
        this.#stalls += 1;
        await this.#device.clearHalt('out', endpoint).catch((thrown: unknown) => {
          throw this.#ended(thrown);
        });
      }
      if (status === 'stall' && stalls <= STALLS_MAX) continue;
      throw new TorsiondError('LINK_WRITE_TIMEOUT', `the device took ${offset} of ${bytes.length} bytes, then none (${status})`, { where: label });
    }
  }

  /** The standard cannot take back a transfer, so one that hangs ends the link: it could still leave much later. */
  #transfer(endpoint: number, piece: Uint8Array<ArrayBuffer>): Promise<UsbOutResult> {
    const { clock, label } = this.#context;
    return new Promise((resolve, reject) => {
      const cancel = clock.after(USB_WRITE_LIMIT_MS, () => {
        const error = new TorsiondError('LINK_WRITE_TIMEOUT', `nothing was taken for ${USB_WRITE_LIMIT_MS} ms`, { where: label });
        reject(error);
        this.#context.lost(error);
      });
      this.#device.transferOut(endpoint, piece).finally(cancel).then(resolve, (thrown: unknown) => reject(this.#ended(thrown)));
    });
  }

  /** Whatever made a transfer fail, the link is over; `lost` counts only once. */
  #ended(thrown: unknown): TorsiondError {
    const { label } = this.#context;
    const error = usbError(thrown, 'writing to the device failed', label);
    this.#context.lost(error);
    return error;
  }
}
