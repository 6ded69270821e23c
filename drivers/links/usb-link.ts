/**
 * A USB device with bulk or interrupt endpoints as a byte channel, over an object of the W3C WebUSB shape. While nothing
 * is asked for, the device holds its packets back by itself.
 */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { claimUsbPipes, type UsbClaimWanted } from '../../shared/usb-claim.ts';
import type { UsbPipes } from '../../shared/usb-pipes.ts';
import { UsbReader } from '../../shared/usb-reader.ts';
import type { UsbConnectionEventShape, UsbDeviceShape, UsbSource } from '../../shared/usb-shapes.ts';
import { chooseDevice, deviceLabel, type DeviceWanted } from './device-choice.ts';
import type { ByteLink, LinkContext } from './link.ts';
import { LinkCore } from './link-core.ts';
import { usbError, usbOpenError } from './usb-errors.ts';
import { UsbWriter } from './usb-writer.ts';

export interface UsbLinkOptions extends DeviceWanted, UsbClaimWanted {}

/** How often the list of devices is looked at while nothing is read, ms: only then no transfer tells of a loss. */
const PRESENCE_MS = 1_000;
/** What a write that is under way has to leave when the link is closed, ms. */
const DRAIN_MS = 250;

/** Devices that a link of this process has open; a browser's object would open a second time without a word. */
const taken = new WeakSet<UsbDeviceShape>();

/** @throws TorsiondError LINK_NOT_FOUND, LINK_AMBIGUOUS, LINK_PERMISSION, LINK_BUSY, LINK_SETTINGS, LINK_UNSUPPORTED, LINK_OPEN_FAILED, LINK_CLOSED when aborted */
export async function openUsbLink(options: UsbLinkOptions, source: UsbSource, context: LinkContext): Promise<ByteLink> {
  const label = deviceLabel('USB', options);
  const assertWanted = (): void => {
    if (context.signal.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up', { where: label });
  };
  assertWanted();
  const device = await findDevice(options, source, label);
  assertWanted();
  if (device.opened || taken.has(device)) throw new TorsiondError('LINK_BUSY', 'this process has the device open already', { where: label });
  taken.add(device);
  try {
    const pipes = await claim(device, options, label, assertWanted);
    return new UsbLink(label, device, pipes, options, source, context).asLink();
  } catch (thrown) {
    await device.close().catch(() => {});
    taken.delete(device);
    throw thrown;
  }
}

async function findDevice(options: UsbLinkOptions, source: UsbSource, label: string): Promise<UsbDeviceShape> {
  let devices: readonly UsbDeviceShape[];
  try {
    devices = await source.getDevices();
  } catch (thrown) {
    throw usbOpenError(thrown, 'the USB devices cannot be listed', label);
  }
  const [vendorId, productId] = [Number.parseInt(options.vendorId, 16), Number.parseInt(options.productId, 16)];
  // The serial number of a device that is none of ours is not asked for: with some libraries that opens the device.
  const akin = devices.filter((device) => device.vendorId === vendorId && device.productId === productId);
  const found = akin.map((device) => ({
    device, vendorId: device.vendorId, productId: device.productId,
    serialNumber: device.serialNumber ?? null, place: source.placeOf?.(device) ?? null,
  }));
  return chooseDevice(found, options, label).device;
}

function claim(device: UsbDeviceShape, options: UsbLinkOptions, label: string, assertWanted: () => void): Promise<UsbPipes> {
  return claimUsbPipes(device, options, label, async (what, work) => {
    try {
      const value = await work;
      assertWanted();
      return value;
    } catch (thrown) {
      throw usbOpenError(thrown, what, label);
    }
  });
}

class UsbLink {
  readonly #core: LinkCore;
  readonly #clock: Clock;
  readonly #device: UsbDeviceShape;
  readonly #pipes: UsbPipes;
  readonly #source: UsbSource;
  readonly #reader: UsbReader;
  readonly #writer: UsbWriter;
  #stalls = 0;
  #cancelWatch: () => void = () => {};
  #released: Promise<void> | null = null;

  constructor(label: string, device: UsbDeviceShape, pipes: UsbPipes, options: UsbLinkOptions, source: UsbSource, { clock }: LinkContext) {
    this.#clock = clock;
    this.#device = device;
    this.#pipes = pipes;
    this.#source = source;
    const core = new LinkCore(label, clock, {
      hold: () => this.#watchPresence(),
      release: () => {
        this.#cancelWatch();
        this.#reader.resume();
      },
      fail: (error) => this.#lose(error),
    });
    this.#core = core;
    this.#writer = new UsbWriter(device, pipes.output, { label, clock, assertOpen: () => core.assertOpen(), lost: (error) => this.#lose(error) });
    this.#reader = new UsbReader({
      device, input: pipes.input, headerBytes: options.packetHeaderBytes, clock,
      isHeld: () => core.isHeld,
      onPacket: (bytes, atMs) => core.deliver(bytes, atMs),
      onBabble: () => this.#lose(this.#lost(`the device sent more than the ${pipes.input.packetSize} bytes of a packet (babble), so bytes are missing`)),
      onStall: () => this.#stalls++,
      onFailure: (what, thrown) => this.#lose(thrown === undefined ? this.#lost(what) : usbError(thrown, what, label)),
    });
    source.addEventListener?.('disconnect', this.#onDisconnect);
    this.#reader.start();
  }

  asLink(): ByteLink {
    const core = this.#core;
    return {
      label: core.label,
      ended: core.ended,
      listen: (listener) => core.listen(listener),
      pause: () => core.pause(),
      resume: () => core.resume(),
      write: async (data) => {
        core.assertOpen();
        return this.#writer.write(data);
      },
      disturbances: () => this.#stalls + this.#writer.stalls,
      close: () => {
        core.finish({ reason: 'closed' });
        return this.#release();
      },
    };
  }

  readonly #onDisconnect = ({ device }: UsbConnectionEventShape): void => {
    if (device === this.#device) this.#lose(this.#lost('the device was unplugged'));
  };

  #lost(message: string): TorsiondError {
    return new TorsiondError('LINK_LOST', message, { where: this.#core.label });
  }

  #lose(error: TorsiondError): void {
    if (this.#core.finish({ reason: 'lost', error })) void this.#release();
  }

  #release(): Promise<void> {
    this.#released ??= (async () => {
      this.#cancelWatch();
      this.#source.removeEventListener?.('disconnect', this.#onDisconnect);
      this.#reader.stop();
      if (this.#core.end?.reason === 'closed') await this.#writer.drained(DRAIN_MS);
      await this.#device.releaseInterface(this.#pipes.interfaceNumber).catch(() => {});
      await this.#device.close().catch(() => {});
      taken.delete(this.#device);
    })();
    return this.#released;
  }

  /** While nothing is read, only the list of devices tells that this one is gone. */
  #watchPresence(): void {
    this.#cancelWatch();
    this.#cancelWatch = this.#clock.after(PRESENCE_MS, () => {
      this.#source.getDevices().then((devices) => {
        if (this.#core.end !== null || !this.#core.isHeld) return;
        if (devices.some((other) => other === this.#device || this.#isSame(other))) this.#watchPresence();
        else this.#lose(this.#lost('the device is no longer there'));
      }, () => this.#core.end === null && this.#core.isHeld && this.#watchPresence());
    });
  }

  /** Some libraries make new objects for every list. */
  #isSame(other: UsbDeviceShape): boolean {
    const device = this.#device;
    const place = (one: UsbDeviceShape): string | null => this.#source.placeOf?.(one) ?? null;
    return other.vendorId === device.vendorId && other.productId === device.productId && (other.serialNumber ?? null) === (device.serialNumber ?? null) && place(other) === place(device);
  }
}
