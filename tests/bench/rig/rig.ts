/**
 * One way from a serial port to WebSocket clients: a sender behind a pseudo terminal, the program that is measured, and
 * a process of clients that count. The same for torsiond and for the plain script.
 */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { openTokenStore } from '../../../daemon/server/tokens.ts';
import { waitUntil } from '../../helpers/wait-until.ts';
import { CAPACITY, TARGET } from '../signal.ts';
import { Helper, Program, folders } from './child.ts';
import type { ClientAnswer, ClientCounts, ClientLag, ClientOrder, SenderAnswer, SenderOrder } from './messages.ts';

export type SubjectName = 'torsiond' | 'plain';

export interface RigOptions {
  readonly subject: SubjectName;
  /** Of the signal in the lines, and what torsiond is told, S/s. */
  readonly signalHz: number;
  readonly sockets: number;
}

export interface Sent {
  readonly sent: Extract<SenderAnswer, { kind: 'sent' }>;
  /** Samples that did not come, over all sockets. */
  readonly missing: number;
  /** Whether the sums of what was sent and of what came agree, for every socket. */
  readonly isRight: boolean;
  /** From the last line sent to the last sample counted, ms; Infinity when some never came. */
  readonly afterMs: number;
  readonly counts: ClientCounts;
}

const TORSIOND = fileURLToPath(new URL('../../../daemon/torsiond.mjs', import.meta.url));
const PLAIN = fileURLToPath(new URL('../plain-script.mjs', import.meta.url));
const SIGNAL_S = 20;
const CALIBRATION = 1.0004;

export class Rig {
  readonly program: Program;
  readonly #sender: Helper<SenderOrder, SenderAnswer>;
  readonly #client: Helper<ClientOrder, ClientAnswer>;
  readonly #folder: string;
  /** What the program multiplies the values by. */
  readonly #factor: number;

  private constructor(program: Program, sender: Helper<SenderOrder, SenderAnswer>, client: Helper<ClientOrder, ClientAnswer>, folder: string, factor: number) {
    this.program = program;
    this.#sender = sender;
    this.#client = client;
    this.#folder = folder;
    this.#factor = factor;
  }

  static async start(options: RigOptions): Promise<Rig> {
    const { subject, signalHz, sockets } = options;
    const folder = mkdtempSync(join(tmpdir(), 'torsiond-bench-'));
    folders.add(folder);
    const sender = new Helper<SenderOrder, SenderAnswer>('./line-sender.ts');
    const client = new Helper<ClientOrder, ClientAnswer>('./counting-client.ts');
    const { path } = await sender.ask({ kind: 'open', rateHz: signalHz, seconds: SIGNAL_S }, 'open');
    const { program, address } = subject === 'plain' ? await Program.start([PLAIN, path]) : await startTorsiond(folder, path, signalHz);
    const rig = new Rig(program, sender, client, folder, subject === 'plain' ? 1 : CALIBRATION);
    const quietHz = Math.min(signalHz, 1_000);
    const token = subject === 'plain' ? '' : openTokenStore(folder).create('read', 'bench').token;
    const url = subject === 'plain' ? address : `${address.replace('http', 'ws')}/api/v1/stream`;
    await client.ask({ kind: 'connect', subject, address: url, token, sockets }, 'connected');
    await rig.#untilHeard(quietHz);
    return rig;
  }

  counts(): Promise<ClientCounts> {
    return this.#client.ask({ kind: 'counts' }, 'counts');
  }

  /** Sends lines at a pace and waits until the clients have them all, or until nothing more comes. */
  async send(rateHz: number, seconds: number, everyMs = 5): Promise<Sent> {
    const count = Math.round(rateHz * seconds);
    const before = await this.counts();
    const sent = await this.#sender.ask({ kind: 'send', rateHz, count, everyMs }, 'sent');
    const missingNow = (counts: ClientCounts): number => counts.samples.reduce((sum, samples, i) => sum + count - (samples - before.samples[i]!), 0);
    let counts = await this.counts();
    let changedMs = performance.now();
    const beganMs = changedMs;
    let missing = missingNow(counts);
    while (missing > 0 && performance.now() - changedMs < QUIET_MS) {
      await new Promise((resolve) => setTimeout(resolve, 5));
      counts = await this.counts();
      const now = missingNow(counts);
      if (now !== missing) changedMs = performance.now();
      missing = now;
    }
    const afterMs = missing === 0 ? performance.now() - beganMs : Infinity;
    const isRight = counts.sums.every((sum, i) => Math.abs(sum - before.sums[i]! - sent.sum * this.#factor) < 1e-5 * sent.sumOfMagnitudes);
    return {
      sent, missing, isRight, afterMs,
      counts: { ...counts, broken: counts.broken - before.broken, skipped: counts.skipped - before.skipped, stored: counts.stored - before.stored },
    };
  }

  watch(): Promise<unknown> {
    return this.#client.ask({ kind: 'watch' }, 'connected');
  }

  lag(startMs: number, rateHz: number, before: ClientCounts): Promise<ClientLag> {
    return this.#client.ask({ kind: 'lag', startMs, rateHz, before: before.samples }, 'lag');
  }

  async end(): Promise<void> {
    await this.#client.end();
    await this.program.end();
    await this.#sender.end();
    rmSync(this.#folder, { recursive: true, force: true });
    folders.delete(this.#folder);
  }

  /** Lines are sent until they arrive: the program has opened the port. */
  async #untilHeard(rateHz: number): Promise<void> {
    await waitUntil(async () => {
      await this.#sender.ask({ kind: 'send', rateHz, count: 20, everyMs: 5 }, 'sent');
      return (await this.counts()).samples.every((samples) => samples > 0);
    }, 'samples from the port', 15_000);
    await this.send(rateHz, 0.05);
  }
}

/** Nothing is sent between two measurements, and that is no fault. */
const SILENCE_MS = 600_000;
/** Nothing came for so long: nothing will. */
const QUIET_MS = 600;

async function startTorsiond(folder: string, path: string, sampleRateHz: number): Promise<{ program: Program; address: string }> {
  const settings = {
    station: 'Hollin & Fenn, bench (invented)',
    instruments: [{
      id: 'bench-a', link: { kind: 'serial', path }, driver: { id: 'ascii-lines' }, silenceMs: SILENCE_MS, simulated: true,
      channels: [{
        sampleRateHz, zero: { kind: 'fixed', offset: 0 },
        transducer: { serialNumber: 'HF-0042 (invented)', capacity: CAPACITY, calibration: { curve: { kind: 'factor', factor: CALIBRATION } } },
        capture: {
          mode: 'first-peak', limits: { kind: 'percent', target: TARGET, minus: 4, plus: 4 },
          filter: { kind: 'butterworth', order: 2, cutoffHz: Math.min(1_000, sampleRateHz / 5) },
        },
      }],
    }],
  };
  const file = join(folder, 'torsiond.yaml');
  // JSON is YAML.
  writeFileSync(file, JSON.stringify(settings));
  return Program.start([TORSIOND, 'start', '--config', file, '--data', folder, '--port', '0', '--log-level', 'error']);
}
