/**
 * A HID device as a byte channel. HID knows no flow control: what is not taken in time cannot be held back, so a link
 * that nobody reads ends as lost when its memory is full, and the gap is told, in place of reports that go missing unseen.
 */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { chooseDevice, deviceLabel, type DeviceWanted } from './device-choice.ts';
import { bytesOfReport, outputRoom, reportsOfBytes, type InputReports, type OutputReports } from './hid-reports.ts';
import type { HidDeviceInfo, HidDeviceShape, HidSource } from './hid-shapes.ts';
import type { ByteLink, LinkContext } from './link.ts';
import { KEPT_BYTES_MAX, LinkCore } from './link-core.ts';
import { usbOpenError } from './usb-errors.ts';

export interface HidLinkOptions extends DeviceWanted, InputReports {
  /** Of the collection, where a device has several; left out: any. */
  readonly usagePage?: number | undefined;
  readonly usage?: number | undefined;
  readonly output: OutputReports;
}

const WRITE_LIMIT_MS = 2_000;
const WAITING_MAX = 64;
const PRESENCE_MS = 1_000;
/** What a write that is under way has to leave when the link is closed, ms. */
const DRAIN_MS = 250;

/** Paths that links of this process have open: the system would open them twice, and each would see every report. */
const taken = new WeakMap<HidSource, Set<string>>();

/** @throws TorsiondError LINK_NOT_FOUND, LINK_AMBIGUOUS, LINK_PERMISSION, LINK_BUSY, LINK_SETTINGS, LINK_OPEN_FAILED, LINK_CLOSED when aborted */
export async function openHidLink(options: HidLinkOptions, source: HidSource, context: LinkContext): Promise<ByteLink> {
  const label = deviceLabel('HID', options);
  const assertWanted = (): void => {
    if (context.signal.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up', { where: label });
  };
  assertWanted();
  if (outputRoom(options.output) < 1) throw new TorsiondError('LINK_SETTINGS', 'the layout of output reports has no room for bytes', { where: label });
  const path = await findPath(options, source, label);
  assertWanted();
  const paths = taken.get(source) ?? new Set();
  taken.set(source, paths);
  if (paths.has(path)) throw new TorsiondError('LINK_BUSY', 'this process has the device open already', { where: label });
  paths.add(path);
  try {
    const device = await source.open(path).catch((thrown: unknown) => {
      throw usbOpenError(thrown, 'the device cannot be opened', label);
    });
    if (context.signal.aborted) await device.close().catch(() => {});
    assertWanted();
    return new HidLink(label, path, device, options, source, context, () => paths.delete(path)).asLink();
  } catch (thrown) {
    paths.delete(path);
    throw thrown;
  }
}

async function findPath(options: HidLinkOptions, source: HidSource, label: string): Promise<string> {
  let devices: readonly HidDeviceInfo[];
  try {
    devices = await source.devices();
  } catch (thrown) {
    throw usbOpenError(thrown, 'the HID devices cannot be listed', label);
  }
  const { usagePage, usage } = options;
  // A device with several collections is listed once for each, all with one path on some systems.
  const fitting = devices.filter((device) => (usagePage === undefined || device.usagePage === usagePage) && (usage === undefined || device.usage === usage));
  const byPath = new Map(fitting.flatMap((device) => (device.path === undefined ? [] : [[device.path, device] as const])));
  const found = await Promise.all([...byPath].map(async ([path, device]) => ({
    path, vendorId: device.vendorId, productId: device.productId,
    serialNumber: device.serialNumber || null, place: (await source.placeOf?.(device)) ?? null,
  })));
  return chooseDevice(found, options, label).path;
}

class HidLink {
  readonly #core: LinkCore;
  readonly #clock: Clock;
  readonly #path: string;
  readonly #device: HidDeviceShape;
  readonly #options: HidLinkOptions;
  readonly #source: HidSource;
  readonly #freed: () => void;
  #lastWrite: Promise<void> = Promise.resolve();
  #waiting = 0;
  #cancelWatch: () => void = () => {};
  #released: Promise<void> | null = null;

  constructor(label: string, path: string, device: HidDeviceShape, options: HidLinkOptions, source: HidSource, { clock }: LinkContext, freed: () => void) {
    this.#clock = clock;
    this.#path = path;
    this.#device = device;
    this.#options = options;
    this.#source = source;
    this.#freed = freed;
    this.#core = new LinkCore(label, clock, { hold: () => {}, release: () => {}, fail: (error) => this.#lose(error) });
    device.on('error', (thrown) => this.#lose(this.#lost(`reading the device failed: ${thrown instanceof Error ? thrown.message : String(thrown)}`, thrown)));
    device.on('data', (report) => this.#take(report));
    if (source.isThere) this.#watchPresence();
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
        return this.#write(data);
      },
      close: () => {
        core.finish({ reason: 'closed' });
        return this.#release();
      },
    };
  }

  #take(report: Uint8Array): void {
    if (this.#core.end !== null) return;
    try {
      const bytes = bytesOfReport(report, this.#options, this.#core.label);
      if (this.#core.keptBytes + bytes.length > KEPT_BYTES_MAX) {
        return this.#lose(this.#lost(`nobody took the ${KEPT_BYTES_MAX} bytes that came, and a HID device cannot be held back`));
      }
      this.#core.deliver(bytes);
    } catch (thrown) {
      this.#lose(thrown as TorsiondError);
    }
  }

  #write(data: Uint8Array): Promise<void> {
    if (this.#waiting >= WAITING_MAX) {
      return Promise.reject(new TorsiondError('LINK_WRITE_TIMEOUT', `${WAITING_MAX} writes wait already`, { where: this.#core.label }));
    }
    this.#waiting++;
    const reports = reportsOfBytes(data, this.#options.output);
    const done = this.#lastWrite.then(async () => {
      for (const report of reports) {
        this.#core.assertOpen();
        await this.#send(report);
      }
    }).finally(() => this.#waiting--);
    this.#lastWrite = done.catch(() => {});
    return done;
  }

  /** A report cannot be taken back, so one that hangs ends the link: it could still leave much later. */
  #send(report: Buffer): Promise<void> {
    return new Promise((resolve, reject) => {
      const fail = (error: TorsiondError): void => {
        reject(error);
        this.#lose(error);
      };
      const cancel = this.#clock.after(WRITE_LIMIT_MS, () => {
        fail(new TorsiondError('LINK_WRITE_TIMEOUT', `nothing was taken for ${WRITE_LIMIT_MS} ms`, { where: this.#core.label }));
      });
      this.#device.write(report).finally(cancel).then(() => resolve(), (thrown: unknown) => {
        fail(this.#lost(`writing to the device failed: ${thrown instanceof Error ? thrown.message : String(thrown)}`, thrown));
      });
    });
  }

  #lost(message: string, cause?: unknown): TorsiondError {
    return new TorsiondError('LINK_LOST', message, { where: this.#core.label, cause });
  }

  #lose(error: TorsiondError): void {
    if (this.#core.finish({ reason: 'lost', error })) void this.#release();
  }

  #release(): Promise<void> {
    this.#released ??= (async () => {
      this.#cancelWatch();
      if (this.#core.end?.reason === 'closed' && this.#waiting > 0) await this.#drained();
      await this.#device.close().catch(() => {});
      this.#freed();
    })();
    return this.#released;
  }

  #drained(): Promise<void> {
    return new Promise((resolve) => {
      const cancel = this.#clock.after(DRAIN_MS, resolve);
      void this.#lastWrite.then(() => {
        cancel();
        resolve();
      });
    });
  }

  #watchPresence(): void {
    this.#cancelWatch = this.#clock.after(PRESENCE_MS, () => {
      const goOn = (isThere: boolean): void => {
        if (this.#core.end !== null) return;
        if (isThere) this.#watchPresence();
        else this.#lose(this.#lost('the device is no longer there'));
      };
      this.#source.isThere!(this.#path).then(goOn, () => goOn(true));
    });
  }
}
