/** An instrument with link kind `browser`, and pages that bring it a simulated Web Serial port. */
import { BrowserPorts, type PageConversation } from '../../daemon/devices/browser-ports.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { InstrumentSettings } from '../../daemon/settings/schema.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import type { SocketConstructor, SocketLike } from '../../shared/client/socket.ts';
import type { Clock } from '../../shared/clock.ts';

export const INSTRUMENT = 'bench-a';

export function browserInstrument(link: Record<string, unknown> = {}, changes: Record<string, unknown> = {}): InstrumentSettings {
  return InstrumentSettings.parse({
    id: INSTRUMENT, link: { kind: 'browser', ...link }, driver: { id: 'ascii-lines', options: { columns: ['torque'] } },
    channels: [{ sampleRateHz: 1_000, transducer: { serialNumber: 'HF-2201', capacity: 60 } }], ...changes,
  });
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
