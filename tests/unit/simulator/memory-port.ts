import type { PortAddress, PortCounters, SimulatedPort } from '../../../simulator/ports/port.ts';

/** A port that keeps what was written; `say` plays the host. */
export class MemoryPort implements SimulatedPort {
  readonly address: PortAddress = { kind: 'serial', path: '/memory' };
  readonly writes: Uint8Array[] = [];
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  isPluggedIn = true;
  backlogBytes = 0;
  /** When set, writes pile up as if nobody read. */
  isBlocked = false;

  get counters(): PortCounters {
    const writtenBytes = this.bytes.length;
    return { writtenBytes, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };
  }

  get bytes(): Uint8Array {
    return Buffer.concat(this.writes);
  }

  get text(): string {
    return Buffer.from(this.bytes).toString('latin1');
  }

  write(bytes: Uint8Array): void {
    this.writes.push(bytes);
    if (this.isBlocked) this.backlogBytes += bytes.length;
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  say(said: string | Uint8Array): void {
    for (const listener of this.#listeners) listener(typeof said === 'string' ? Buffer.from(said) : said);
  }

  async unplug(): Promise<void> {
    this.isPluggedIn = false;
  }

  async replug(): Promise<void> {
    this.isPluggedIn = true;
  }

  async close(): Promise<void> {
    this.isPluggedIn = false;
  }
}
