/**
 * Meters on pseudo terminals that are plugged in and pulled out again under torque, and what the daemon says of it.
 * Shared by the test, which looks at what is told, and by the bench, which looks at how soon.
 */
import type { ClientEvents, TorsiondClient } from '../../shared/client/index.ts';
import { openPtyPort, type PtyPort } from '../../simulator/ports/pty-port.ts';
import { waitUntil } from './wait-until.ts';

const REST = '0.000\n';
const LOADED = '30.000\n';
/** So long loaded without a cycle: it is loaded anew. */
const LOADED_IN_VAIN_MS = 20_000;

/** A meter on a port of its own: at rest, and loaded some lines after it heard START. */
export class Meter {
  readonly id: string;
  readonly port: PtyPort;
  readonly rateHz: number;
  /** Bytes heard since it was plugged in. */
  heard = '';
  isLoaded = false;
  readonly #restLines: number;
  #sinceStart = -1;
  #timer: NodeJS.Timeout | undefined;

  private constructor(id: string, port: PtyPort, rateHz: number, restLines: number) {
    this.id = id;
    this.port = port;
    this.rateHz = rateHz;
    this.#restLines = restLines;
    port.onData((bytes) => {
      this.heard += Buffer.from(bytes).toString('latin1');
      if (this.#sinceStart < 0 && this.heard.includes('START\r\n')) this.#begin();
    });
  }

  static async open(id: string, rateHz: number, restLines: number): Promise<Meter> {
    const port = await openPtyPort();
    await port.unplug();
    return new Meter(id, port, rateHz, restLines);
  }

  get channel(): string {
    return `${this.id}/1`;
  }

  get instrument(): object {
    const isSlow = this.rateHz < 10;
    return {
      // So long that a loss can only be told by the port itself.
      id: this.id, silenceMs: 60_000, link: { kind: 'serial', path: this.port.address.path },
      driver: { id: 'ascii-lines', options: { commands: { start: 'START', stop: 'STOP' } } },
      channels: [{
        sampleRateHz: this.rateHz, zero: { kind: 'fixed' }, transducer: { serialNumber: `${this.id} (invented)`, capacity: 60 },
        capture: isSlow ? { mode: 'track', track: { averageMs: 0, stableMs: null } } : { mode: 'peak' },
      }],
    };
  }

  async plugIn(): Promise<void> {
    this.heard = '';
    this.#sinceStart = -1;
    this.isLoaded = false;
    await this.port.replug();
    // A flooding meter does not wait to be asked.
    if (this.rateHz > 10_000) this.#flood();
  }

  async unplug(): Promise<void> {
    await this.port.unplug();
    clearTimeout(this.#timer);
  }

  /** At rest for as many lines as in the beginning, then loaded again. */
  rest(): void {
    this.isLoaded = false;
    this.#sinceStart = 0;
  }

  release(): void {
    this.isLoaded = false;
    this.#sinceStart = -Infinity;
  }

  async close(): Promise<void> {
    clearTimeout(this.#timer);
    await this.port.close();
  }

  #begin(): void {
    this.#sinceStart = 0;
    if (this.rateHz <= 10_000) this.#paced(performance.now(), 0);
  }

  #paced(startMs: number, sent: number): void {
    if (!this.port.isPluggedIn) return;
    const due = 1 + Math.floor(((performance.now() - startMs) * this.rateHz) / 1_000);
    this.#send(due - sent);
    this.#timer = setTimeout(() => this.#paced(startMs, due), Math.max(4, startMs + (due * 1_000) / this.rateHz - performance.now()));
  }

  #flood(): void {
    if (!this.port.isPluggedIn) return;
    for (let i = 0; i < 8 && this.port.backlogBytes < 32 * 1_024; i++) this.#send(1_000);
    this.#timer = setTimeout(() => this.#flood(), 1);
  }

  #send(lines: number): void {
    if (this.#sinceStart >= this.#restLines) this.isLoaded = true;
    if (lines > 0) this.port.write(Buffer.from((this.isLoaded ? LOADED : REST).repeat(lines)));
    if (this.#sinceStart >= 0) this.#sinceStart += lines;
  }
}

/** What the daemon says of one instrument, as it comes. */
export class Witness {
  readonly states: ClientEvents['instrument.state'][] = [];
  readonly started: ClientEvents['cycle.started'][] = [];
  readonly interrupted: ClientEvents['cycle.interrupted'][] = [];
  readonly captured: ClientEvents['reading.captured'][] = [];
  readonly stored: ClientEvents['reading.stored'][] = [];
  live = 0;

  constructor(client: TorsiondClient, meter: Meter) {
    const { id, channel } = meter;
    client.on('instrument.state', (event) => event.instrument.id === id && this.states.push(event));
    client.on('cycle.started', (event) => event.channel === channel && this.started.push(event));
    client.on('cycle.interrupted', (event) => event.channel === channel && this.interrupted.push(event));
    client.on('reading.captured', (event) => event.reading.channel === channel && this.captured.push(event));
    client.on('reading.stored', (event) => event.reading.channel === channel && this.stored.push(event));
    client.on('channel.live', (event) => event.channel === channel && this.live++);
  }
}

/** One time that the plug was in. */
export interface Round {
  /** What the meter was told while it was plugged in. */
  readonly heard: string;
  /** What the daemon said first when the plug was out. */
  readonly lost: ClientEvents['instrument.state'];
  readonly interrupted: ClientEvents['cycle.interrupted'];
  /** From the plug to the first samples, and from when the far end was dead to the loss being told, ms. */
  readonly backMs: number;
  readonly noticedMs: number;
}

/** Plugs in, waits for a cycle, pulls the plug; so many times. */
export async function unplugRounds(meter: Meter, witness: Witness, times: number): Promise<Round[]> {
  const rounds: Round[] = [];
  const isSlow = meter.rateHz < 10;
  for (let round = 1; round <= times; round++) {
    const before = { states: witness.states.length, live: witness.live, started: witness.started.length };
    await meter.plugIn();
    const pluggedMs = performance.now();
    const isStreaming = (): boolean => witness.states.slice(before.states).some(({ instrument }) => instrument.state === 'streaming');
    // One line a second cannot give a sample sooner than that; there the state is what counts.
    await waitUntil(() => isStreaming() && (isSlow || witness.live > before.live), `${meter.id} to stream, round ${round}`);
    const backMs = performance.now() - pluggedMs;
    // A flood that a busy machine holds up may be cut: just before the torque, and the channel waits for rest; or later,
    // and there is more than one cycle in a round.
    let sinceMs = performance.now();
    await waitUntil(() => {
      if (witness.started.length > before.started && meter.isLoaded) return true;
      if (!isSlow && performance.now() - sinceMs > LOADED_IN_VAIN_MS) {
        meter.rest();
        sinceMs = performance.now();
      }
      return false;
    }, `${meter.id} to see torque, round ${round}`);
    const { heard } = meter;
    const seen = witness.states.length;
    // From when the far end is dead: how long a loaded machine takes to kill a process is not the daemon's.
    const deadMs = await meter.unplug().then(() => Date.now());
    await waitUntil(() => witness.states.length > seen && witness.interrupted.length >= witness.started.length, `${meter.id} to notice, round ${round}`);
    const lost = witness.states[seen]!;
    rounds.push({ heard, lost, interrupted: witness.interrupted.at(-1)!, backMs, noticedMs: Date.parse(lost.at) - deadMs });
  }
  return rounds;
}

/** Meters of every pace, with how often each is unplugged so that each pace comes to the same number. */
export function metersOfAllPaces(times: number): { readonly id: string; readonly rateHz: number; readonly restLines: number; readonly times: number }[] {
  return [
    ...[1, 2, 3, 4, 5].map((n) => ({ id: `slow-${n}`, rateHz: 1, restLines: 2, times: Math.ceil(times / 5) })),
    ...[1, 2].map((n) => ({ id: `usual-${n}`, rateHz: 1_000, restLines: 50, times: Math.ceil(times / 2) })),
    { id: 'flooding', rateHz: 100_000, restLines: 5_000, times },
  ];
}
