/**
 * A serial port as a link. The `serialport` binding opens it, sets it up, locks it and closes it; reading and writing
 * go through the system's own calls (see `tty-reader.ts` and `serial-writer.ts`), because the binding does not notice
 * every hang-up and keeps what could not be written.
 */
import { realpath, stat } from 'node:fs/promises';
import type { SerialPort } from 'serialport';
import { TorsiondError } from '../../shared/errors.ts';
import { openBindingReader } from './binding-reader.ts';
import type { ByteLink, LinkContext } from './link.ts';
import { LinkCore } from './link-core.ts';
import { findLockHolders } from './port-holder.ts';
import { busyError, serialOpenError } from './serial-open-error.ts';
import type { SerialLinkOptions } from './serial-options.ts';
import { SerialWriter } from './serial-writer.ts';
import { openTtyReader, type PortReader, type PortReaderEvents } from './tty-reader.ts';

/** How often the device node is looked for, ms: the sign of loss that needs no event. */
const PRESENCE_MS = 1_000;
/** What the system still holds when the link is closed has this long to leave: 240 bytes at 9600 baud, ms. */
const DRAIN_MS = 250;

type Binding = (typeof SerialPort)['binding'];
type Port = Awaited<ReturnType<Binding['open']>>;

/** @throws TorsiondError LINK_NOT_FOUND, LINK_PERMISSION, LINK_BUSY, LINK_NOT_A_PORT, LINK_OPEN_FAILED, LINK_CLOSED when aborted, NATIVE_MODULE */
export async function openSerialLink(options: SerialLinkOptions, context: LinkContext): Promise<ByteLink> {
  const { path } = options;
  const assertWanted = (): void => {
    if (context.signal.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up', { where: path });
  };
  assertWanted();
  const binding = await loadBinding();
  const node = await resolveNode(path);
  // The binding sets data bits, parity and flow control before it tries the lock, and so would upset whoever has the port open.
  const holders = await findLockHolders(node);
  if (holders.length > 0) throw busyError(path, holders);
  assertWanted();

  const port = await openPort(binding, options, node);
  try {
    assertWanted();
    await setModemLines(port, options);
    assertWanted();
    return new SerialLink(options.path, node, port, context).asLink();
  } catch (thrown) {
    await port.close().catch(() => {});
    throw await serialOpenError(path, node, thrown);
  }
}

async function loadBinding(): Promise<Binding> {
  try {
    return (await import('serialport')).SerialPort.binding;
  } catch (thrown) {
    throw new TorsiondError('NATIVE_MODULE', 'the module "serialport" does not load on this machine', { where: 'serialport', cause: thrown });
  }
}

/** The device behind links such as by-id names. */
async function resolveNode(path: string): Promise<string> {
  if (process.platform === 'win32') return path;
  try {
    const node = await realpath(path);
    if ((await stat(node)).isCharacterDevice()) return node;
  } catch (thrown) {
    throw await serialOpenError(path, path, thrown);
  }
  throw new TorsiondError('LINK_NOT_A_PORT', 'this is a file or a folder, not a serial port', { where: path });
}

async function openPort(binding: Binding, options: SerialLinkOptions, node: string): Promise<Port> {
  const { baudRate, dataBits, parity, stopBits, rtscts, xon } = options;
  try {
    return await binding.open({ path: node, baudRate, dataBits, parity, stopBits, rtscts, xon, xoff: xon, lock: true });
  } catch (thrown) {
    throw await serialOpenError(options.path, node, thrown);
  }
}

/** Lines that are not to be touched are left as the system raises them on opening: both on. */
async function setModemLines(port: Port, options: SerialLinkOptions): Promise<void> {
  if (options.dtr === null && options.rts === null) return;
  try {
    await port.set({ dtr: options.dtr ?? true, rts: options.rts ?? true, brk: false, cts: false, dsr: false, lowLatency: false });
  } catch (thrown) {
    // Pseudo terminals and some adapters have no such lines.
    if (!/inappropriate ioctl|ENOTTY|not supported|invalid argument/i.test(String(thrown))) throw thrown;
  }
}

class SerialLink {
  readonly #core: LinkCore;
  readonly #node: string;
  readonly #port: Port;
  readonly #context: LinkContext;
  readonly #reader: PortReader;
  readonly #writer: SerialWriter | null;
  #cancelWatch: () => void = () => {};
  #released: Promise<void> | null = null;

  constructor(label: string, node: string, port: Port, context: LinkContext) {
    this.#node = node;
    this.#port = port;
    this.#context = context;
    const lose = (error: TorsiondError): void => this.#lose(error);
    const core = new LinkCore(label, context.clock, {
      hold: () => this.#reader.pause(),
      release: () => this.#reader.resume(),
      fail: lose,
    });
    this.#core = core;
    const events: PortReaderEvents = {
      bytes: (data) => {
        core.deliver(data);
        return !core.isHeld && core.end === null;
      },
      lost: (cause) => lose(new TorsiondError('LINK_LOST', cause ? `reading the port failed: ${cause.message}` : 'the port hung up', { where: label, cause: cause ?? undefined })),
    };
    const descriptor = 'fd' in port && typeof port.fd === 'number' && process.platform !== 'win32' ? port.fd : null;
    this.#reader = descriptor === null ? openBindingReader(port, events) : openTtyReader(descriptor, node, events);
    this.#writer = descriptor === null ? null : new SerialWriter(descriptor, { label, clock: context.clock, assertOpen: () => core.assertOpen(), lost: lose });
    this.#reader.resume();
    if (descriptor !== null) this.#watchPresence();
  }

  asLink(): ByteLink {
    const core = this.#core;
    return {
      label: core.label,
      ended: core.ended,
      listen: (listener) => core.listen(listener),
      pause: () => core.pause(),
      resume: () => core.resume(),
      write: (data) => this.#write(data),
      close: () => {
        core.finish({ reason: 'closed' });
        return this.#release();
      },
    };
  }

  async #write(data: Uint8Array): Promise<void> {
    this.#core.assertOpen();
    if (this.#writer) return this.#writer.write(data);
    try {
      await this.#port.write(Buffer.from(data));
    } catch (thrown) {
      const error = new TorsiondError('LINK_LOST', `the port cannot be written: ${String(thrown)}`, { where: this.#core.label, cause: thrown });
      this.#lose(error);
      throw error;
    }
  }

  #lose(error: TorsiondError): void {
    if (this.#core.finish({ reason: 'lost', error })) void this.#release();
  }

  /**
   * The reader first: its descriptor belongs to the same device. What was written whole gets the time to leave, so that a
   * device hears the stop command of a driver; the rest is thrown away, or closing would wait for it.
   */
  #release(): Promise<void> {
    this.#released ??= (async () => {
      this.#cancelWatch();
      const isWhole = this.#core.end?.reason === 'closed' && this.#writer?.isBusy !== true;
      await this.#reader.close();
      if (!(isWhole && (await this.#drained()))) await this.#port.flush().catch(() => {});
      await this.#port.close().catch(() => {});
    })();
    return this.#released;
  }

  /** @returns whether everything left within the limit */
  #drained(): Promise<boolean> {
    return new Promise((resolve) => {
      const cancel = this.#context.clock.after(DRAIN_MS, () => resolve(false));
      const end = (hasLeft: boolean) => (): void => {
        cancel();
        resolve(hasLeft);
      };
      this.#port.drain().then(end(true), end(false));
    });
  }

  #watchPresence(): void {
    this.#cancelWatch = this.#context.clock.after(PRESENCE_MS, () => {
      stat(this.#node).then(
        () => this.#core.end === null && this.#watchPresence(),
        () => this.#lose(new TorsiondError('LINK_LOST', 'the port is no longer there', { where: this.#core.label })),
      );
    });
  }
}
