/** An instrument with link kind `browser` or `browser-usb`, and pages that bring it a simulated port or device. */
import { BrowserPorts, type PageConversation } from '../../daemon/devices/browser-ports.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { InstrumentSettings } from '../../daemon/settings/schema.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import type { PortGiven } from '../../shared/client/index.ts';
import type { SocketConstructor, SocketLike } from '../../shared/client/socket.ts';
import type { Clock } from '../../shared/clock.ts';
import { openUsbPort, openWebSerialPort, UsbBus, type SimulatedPort, type UsbPortOptions } from '../../simulator/index.ts';

export const INSTRUMENT = 'bench-a';

export function browserInstrument(link: Record<string, unknown> = {}, changes: Record<string, unknown> = {}): InstrumentSettings {
  return InstrumentSettings.parse({
    id: INSTRUMENT, link: { kind: 'browser', ...link }, driver: { id: 'ascii-lines', options: { columns: ['torque'] } },
    channels: [{ sampleRateHz: 1_000, transducer: { serialNumber: 'HF-2201', capacity: 60 }, capture: { mode: 'peak' } }], ...changes,
  });
}

/** Something that a page may have, and the link of an instrument that takes it. */
export interface PageThing {
  readonly name: string;
  readonly link: Record<string, unknown>;
  plugIn(): PluggedIn;
}

export interface PluggedIn {
  readonly port: SimulatedPort;
  /** What the browser has of it now. */
  given(): PortGiven;
  /** All that it sent was taken, or nobody takes anything. */
  isRead(): boolean;
  onConnect(listener: () => void): void;
}

export const WEB_SERIAL: PageThing = {
  name: 'browser', link: { kind: 'browser' },
  plugIn: () => {
    const port = openWebSerialPort({ usbVendorId: 0x1209, usbProductId: 0x0001 });
    return { port, given: () => ({ port: port.port }), isRead: () => port.backlogBytes === 0, onConnect: (listener) => port.port.addEventListener('connect', listener) };
  },
};

export function webUsb(name: string, link: Record<string, unknown> = {}, options: Omit<UsbPortOptions, 'bus'> = {}): PageThing {
  return {
    name, link: { kind: 'browser-usb', vendorId: '1209', productId: '0001', ...link },
    plugIn: () => {
      const bus = new UsbBus();
      const port = openUsbPort({ bus, ...options });
      return {
        port, given: () => ({ usb: { device: port.device!, bus } }), onConnect: (listener) => bus.addEventListener('connect', listener),
        isRead: () => port.backlogBytes === 0 || !port.isPluggedIn || port.pendingReads === 0,
      };
    },
  };
}

export function portsBench(clock: Clock, settings = browserInstrument()): { ports: BrowserPorts; open: OpenLink } {
  const ports = new BrowserPorts([settings], clock);
  return { ports, open: linkOpener(settings.link, { id: settings.id, ports }) };
}

export interface MemorySockets {
  readonly WebSocket: SocketConstructor;
  /** What the page sent, as it was sent. */
  readonly sent: (string | Uint8Array)[];
  /** The way breaks: both ends see the connection close. */
  cut(): void;
  /** From now on nothing arrives at either end, and neither is told. */
  freeze(): void;
  /** Delay of what the page sends, ms by the clock; called for each message. */
  latencyMs: () => number;
}

/** WebSockets in memory, in order, each message in a turn of its own. */
export function memorySockets(ports: BrowserPorts, clock: Clock, instrument = INSTRUMENT): MemorySockets {
  const sent: (string | Uint8Array)[] = [];
  const open = new Set<{ close(code: number, reason: string): void }>();
  let isFrozen = false;
  let dueMs = 0;
  const bench = {
    sent,
    latencyMs: () => 0,
    cut: () => {
      for (const socket of [...open]) socket.close(1006, '');
    },
    freeze: () => {
      isFrozen = true;
    },
  };
  class MemorySocket implements SocketLike {
    binaryType = 'blob';
    readonly #listeners = new Map<string, ((event: never) => void)[]>();
    readonly #conversation: PageConversation;
    #isOpen = true;

    constructor() {
      open.add(this);
      this.#conversation = ports.welcome(instrument, {
        send: (data) => {
          const copy = typeof data === 'string' ? data : data.slice().buffer;
          clock.after(0, () => this.#isOpen && !isFrozen && this.#tell('message', { data: copy }));
        },
        close: (code, reason) => void clock.after(0, () => this.close(code, reason)),
      }, 'memory');
      clock.after(0, () => this.#isOpen && this.#tell('open', {}));
    }

    send(data: string | Uint8Array<ArrayBuffer>): void {
      if (!this.#isOpen) throw new Error('closed');
      const copy = typeof data === 'string' ? data : data.slice();
      sent.push(copy);
      // Later ones wait for earlier ones, as in one stream.
      const nowMs = clock.monoMs();
      dueMs = Math.max(dueMs, nowMs + bench.latencyMs());
      clock.after(dueMs - nowMs, () => {
        if (!isFrozen) this.#conversation.receive(copy);
      });
    }

    close(code = 1005, reason = ''): void {
      if (!this.#isOpen) return;
      this.#isOpen = false;
      open.delete(this);
      clock.after(0, () => {
        if (isFrozen) return;
        this.#conversation.gone(reason || `the connection ended (${code})`);
        this.#tell('close', { code, reason });
      });
    }

    addEventListener(type: string, listener: (event: never) => void): void {
      this.#listeners.set(type, [...(this.#listeners.get(type) ?? []), listener]);
    }

    #tell(type: string, event: object): void {
      for (const listener of this.#listeners.get(type) ?? []) listener(event as never);
    }
  }
  return Object.assign(bench, { WebSocket: MemorySocket });
}
