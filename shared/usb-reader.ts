/**
 * Packets of one endpoint of a USB device, in the order in which they were asked for. Runs in pages too.
 *
 * A few requests wait at the device at a time, each for one packet: the device never waits for us, no byte waits for a
 * buffer to fill, and each packet has its own time of arrival.
 */
import type { Clock } from './clock.ts';
import type { UsbDeviceShape, UsbEndpointShape, UsbInResult } from './usb-shapes.ts';

/** Packets asked for at a time; so many may also come after reading was held. */
const REQUESTS = 4;
/** An endpoint that stalls again and again without a packet between is broken. */
const STALLS_MAX = 3;

export interface UsbReaderOptions {
  readonly device: UsbDeviceShape;
  readonly input: UsbEndpointShape;
  /** Bytes at the beginning of each packet that are the bridge chip's own and no data. */
  readonly headerBytes: number;
  readonly clock: Clock;
  /** Nothing more is asked for while it is; see `resume`. */
  readonly isHeld: () => boolean;
  /** The bytes are the receiver's to keep. */
  readonly onPacket: (bytes: Uint8Array<ArrayBuffer>, atMs: number) => void;
  /** The device sent more than fits a packet, so bytes are missing here. Reading goes on unless it is stopped. */
  readonly onBabble: (atMs: number) => void;
  /** A halt is about to be cleared. */
  readonly onStall: () => void;
  /** Nothing more comes: a request failed, or, without `thrown`, the endpoint stalled too often. */
  readonly onFailure: (what: string, thrown?: unknown) => void;
}

/** How a request ended, and when. */
type Outcome = { readonly result: UsbInResult; readonly atMs: number } | { readonly thrown: unknown };

export class UsbReader {
  readonly #options: UsbReaderOptions;
  /** In the order in which they were asked for. */
  readonly #requests: Promise<Outcome>[] = [];
  #isHalted = false;
  #isOver = false;
  /** In a row. */
  #stalls = 0;
  #wake: () => void = () => {};

  constructor(options: UsbReaderOptions) {
    this.#options = options;
  }

  start(): void {
    void this.#read();
  }

  /** `isHeld` is false again. */
  resume(): void {
    this.#askForMore();
    this.#wake();
  }

  /** What is on its way is not handed over any more. */
  stop(): void {
    this.#isOver = true;
    this.#wake();
  }

  async #read(): Promise<void> {
    while (!this.#isOver) {
      this.#askForMore();
      const [oldest] = this.#requests;
      if (oldest === undefined) {
        await (this.#isHalted ? this.#clearHalt() : new Promise<void>((resolve) => (this.#wake = resolve)));
        continue;
      }
      const outcome = await oldest;
      void this.#requests.shift();
      if (this.#isOver) return;
      if ('thrown' in outcome) return this.#fail('reading the device failed', outcome.thrown);
      const { result: { status, data }, atMs } = outcome;
      if (status === 'ok') this.#take(data ?? null, atMs);
      else if (status === 'stall') this.#isHalted = true;
      else this.#options.onBabble(atMs);
    }
  }

  /** None while held, or while the endpoint is halted: all requests would end as the first did. */
  #askForMore(): void {
    while (!this.#isOver && !this.#options.isHeld() && !this.#isHalted && this.#requests.length < REQUESTS) this.#requests.push(this.#ask());
  }

  /** Never rejects: an older request may fail first, and then nobody waits for this one. */
  async #ask(): Promise<Outcome> {
    const { device, input, clock } = this.#options;
    try {
      const result = await device.transferIn(input.endpointNumber, input.packetSize);
      return { result, atMs: clock.monoMs() };
    } catch (thrown) {
      return { thrown };
    }
  }

  /** A packet without bytes is no data: devices end a transfer with it. */
  #take(data: DataView | null, atMs: number): void {
    this.#stalls = 0;
    const { headerBytes, onPacket } = this.#options;
    if (data === null || data.byteLength <= headerBytes) return;
    onPacket(new Uint8Array(data.buffer, data.byteOffset, data.byteLength).slice(headerBytes), atMs);
  }

  /** Once for all requests that met the halt, and only when none waits any more: libraries refuse it otherwise. */
  async #clearHalt(): Promise<void> {
    const { device, input, onStall } = this.#options;
    if (++this.#stalls > STALLS_MAX) return this.#fail(`the device stalled ${this.#stalls} times in a row`);
    onStall();
    try {
      await device.clearHalt('in', input.endpointNumber);
      this.#isHalted = false;
    } catch (thrown) {
      this.#fail('the device stalled, and its halt cannot be cleared', thrown);
    }
  }

  #fail(what: string, thrown?: unknown): void {
    if (this.#isOver) return;
    this.#isOver = true;
    this.#options.onFailure(what, thrown);
  }
}
