/**
 * One opening of a WebUSB device: its packets in order, writes in order, one end. A device that sends more packets a second
 * than the way to the gateway has room for messages gets several into one.
 */
import type { Clock } from '../clock.ts';
import { TorsiondError } from '../errors.ts';
import { RateLimit } from '../rate-limit.ts';
import { claimUsbPipes } from '../usb-claim.ts';
import type { UsbPipes } from '../usb-pipes.ts';
import { UsbReader } from '../usb-reader.ts';
import type { UsbConnectionEventShape, UsbDeviceShape } from '../usb-shapes.ts';
import { PORT_PAYLOAD_MAX } from '../wire/port-bytes.ts';
import type { PortUsb } from '../wire/port-messages.ts';
import type { ForwardedPort, OpenPort, OpenPortEvents } from './open-port.ts';
import { isWantedUsbDevice, usbDeviceName, type UsbDeviceAtPage } from './web-usb.ts';

const WRITE_STALLS_MAX = 1;
/** Largest piece of a write, bytes; a multiple of every packet size. */
const PIECE_BYTES = 4_096;
/** Half of what the gateway lets through; packets beyond it share messages. */
const MESSAGES_PER_SECOND = 2_000;
/** When no further packet comes, a message that is held back leaves after this, ms. */
const BUNDLE_MS = 5;

export function forwardedUsbDevice({ device, bus }: UsbDeviceAtPage): ForwardedPort {
  return {
    kind: 'usb',
    name: usbDeviceName(device),
    onUnplugged: (listener) => {
      const onDisconnect = (event: UsbConnectionEventShape): void => {
        if (event.device === device) listener();
      };
      bus.addEventListener('disconnect', onDisconnect);
      return () => bus.removeEventListener('disconnect', onDisconnect);
    },
    prepare: (how, events, clock) => {
      if (how.type !== 'open-usb') throw new TypeError('this page has a USB device');
      return new OpenUsbDevice(device, how.usb, events, clock);
    },
  };
}

class OpenUsbDevice implements OpenPort {
  readonly #device: UsbDeviceShape;
  readonly #usb: PortUsb;
  readonly #events: OpenPortEvents;
  readonly #clock: Clock;
  readonly #messages: RateLimit;
  #pipes: UsbPipes | null = null;
  #opening: Promise<unknown> = Promise.resolve();
  #isOpened = false;
  #reader: UsbReader | null = null;
  #bundle: { parts: Uint8Array[]; size: number; atMs: number } = { parts: [], size: 0, atMs: 0 };
  #cancelBundle: () => void = () => {};
  #mayRead = true;
  #lastWrite: Promise<void> = Promise.resolve();
  #isEnding = false;
  #closing: Promise<void> | null = null;

  constructor(device: UsbDeviceShape, usb: PortUsb, events: OpenPortEvents, clock: Clock) {
    this.#device = device;
    this.#usb = usb;
    this.#events = events;
    this.#clock = clock;
    this.#messages = new RateLimit(MESSAGES_PER_SECOND, clock.monoMs());
  }

  async open(): Promise<void> {
    const device = this.#device;
    const label = usbDeviceName(device);
    if (!isWantedUsbDevice(device, this.#usb)) {
      throw new TorsiondError('LINK_SETTINGS', `the page has ${label}, and the settings want ${usbDeviceName(this.#usb)}`, { where: label });
    }
    // A browser opens a device that is open already without a word.
    if (device.opened) throw new DOMException('This page has the device open already.', 'InvalidStateError');
    this.#isOpened = true;
    const opening = claimUsbPipes(device, this.#usb, label, named);
    this.#opening = opening.catch(() => {});
    try {
      this.#pipes = await opening;
    } catch (thrown) {
      await device.close().catch(() => {});
      this.#isOpened = false;
      throw thrown;
    }
  }

  start(): void {
    this.#reader = new UsbReader({
      device: this.#device, input: this.#pipes!.input, headerBytes: this.#usb.packetHeaderBytes, clock: this.#clock,
      isHeld: () => !this.#mayRead,
      onPacket: (bytes, atMs) => this.#take(bytes, atMs),
      onBabble: (atMs) => this.#cut(atMs),
      onStall: () => this.#events.stalled(),
      onFailure: (what, thrown) => this.#lose(thrown === undefined ? what : `${what}: ${textOf(thrown)}`),
    });
    this.#reader.start();
  }

  hold(isHeld: boolean): void {
    this.#mayRead = !isHeld;
    if (!isHeld) this.#reader?.resume();
  }

  write(data: Uint8Array): Promise<void> {
    const bytes = data.slice();
    const done = this.#lastWrite.then(() => this.#writeAll(bytes));
    this.#lastWrite = done.catch(() => {});
    return done;
  }

  close(): Promise<void> {
    this.#isEnding = true;
    return (this.#closing ??= this.#letGo());
  }

  #lose(message: string): void {
    if (this.#isEnding) return;
    this.#flush();
    this.#isEnding = true;
    this.#closing = this.#letGo();
    this.#events.lost(message);
  }

  async #letGo(): Promise<void> {
    this.#cancelBundle();
    this.#reader?.stop();
    await this.#opening;
    if (!this.#isOpened) return;
    // Transfers that wait are given up by it, as the standard has it.
    if (this.#pipes) await this.#device.releaseInterface(this.#pipes.interfaceNumber).catch(() => {});
    await this.#device.close().catch(() => {});
  }

  #take(bytes: Uint8Array<ArrayBuffer>, atMs: number): void {
    if (this.#bundle.size + bytes.length > PORT_PAYLOAD_MAX) this.#flush();
    this.#bundle.parts.push(bytes);
    this.#bundle.size += bytes.length;
    this.#bundle.atMs = atMs;
    if (this.#messages.take(this.#clock.monoMs())) return this.#flush();
    this.#cancelBundle();
    this.#cancelBundle = this.#clock.after(BUNDLE_MS, () => this.#flush());
  }

  #flush(): void {
    this.#cancelBundle();
    const { parts, size, atMs } = this.#bundle;
    if (size === 0 || this.#isEnding) return;
    this.#bundle = { parts: [], size: 0, atMs: 0 };
    const [only] = parts;
    if (parts.length === 1 && only) return this.#events.bytes(only, atMs);
    const all = new Uint8Array(size);
    parts.reduce((at, part) => {
      all.set(part, at);
      return at + part.length;
    }, 0);
    this.#events.bytes(all, atMs);
  }

  #cut(atMs: number): void {
    this.#flush();
    this.#events.cut('babble', atMs);
  }

  async #writeAll(bytes: Uint8Array<ArrayBuffer>): Promise<void> {
    const output = this.#pipes?.output;
    if (!output) throw new TypeError('the interface has no endpoint to write to');
    let refusals = 0;
    for (let offset = 0; offset < bytes.length; ) {
      if (this.#isEnding) throw new TypeError('the device is not open');
      const { status, bytesWritten } = await this.#device.transferOut(output.endpointNumber, bytes.slice(offset, offset + PIECE_BYTES));
      offset += bytesWritten;
      if (status === 'ok' && bytesWritten > 0) continue;
      if (status === 'stall') {
        this.#events.stalled();
        await this.#device.clearHalt('out', output.endpointNumber);
        if (++refusals <= WRITE_STALLS_MAX) continue;
      }
      throw new TypeError(`the device took ${offset} of ${bytes.length} bytes, then none (${status})`);
    }
  }
}

/** The browser's own error keeps its name; its words say what was being done. */
async function named<Value>(what: string, work: Promise<Value>): Promise<Value> {
  try {
    return await work;
  } catch (thrown) {
    throw new DOMException(`${what}: ${(thrown as Error).message}`, (thrown as Error).name);
  }
}

function textOf(thrown: unknown): string {
  const { name, message } = thrown as Error;
  return message === '' ? name : message;
}
