/**
 * (i) How soon: an unplugged instrument is told as lost and a plugged one is back, a reading reaches a client beside
 * others that stopped reading, the demonstration gives its first reading and ends. Each against the time that was promised.
 */
import { mkdtempSync } from 'node:fs';
import { setPriority, tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { WebSocket } from 'ws';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { connect, type TorsiondClient } from '../../shared/client/index.ts';
import { daemonChild, type DaemonProcess } from '../helpers/daemon-child.ts';
import { Meter, metersOfAllPaces, unplugRounds, Witness } from '../helpers/plugged-meters.ts';
import { pulseDevice } from '../helpers/pulse-device.ts';
import { quantile } from '../helpers/time-errors.ts';
import { waitUntil } from '../helpers/wait-until.ts';
import type { BenchLine } from './bench-line.ts';
import { folders, Program } from './rig/child.ts';

const UNPLUGS = 20;
const NOTICED_MS = 100;
const BACK_MS = 2_000;
/** Of one core, with every plug out. */
const QUIET_SHARE = 0.15;
const READINGS = 1_000;
const STOPPED = 5;
const DELAY_MS = 50;
const FIRST_READING_MS = 20_000;
const STOP_MS = 5_000;

export async function run(): Promise<BenchLine[]> {
  return [...await unplugging(), await delays(), ...await demonstration()];
}

function folder(): string {
  const made = mkdtempSync(join(tmpdir(), 'torsiond-bench-'));
  folders.add(made);
  return made;
}

async function withDaemon<Found>(instruments: readonly object[], use: (daemon: DaemonProcess, client: TorsiondClient, open: () => Promise<WebSocket>) => Promise<Found>): Promise<Found> {
  const data = folder();
  const { token } = openTokenStore(data).create('operate', 'bench');
  const daemon = daemonChild(data);
  let client: TorsiondClient | null = null;
  try {
    const port = await daemon.start({ station: 'Hollin & Fenn', server: { port: 0 }, instruments });
    client = connect({ url: `http://127.0.0.1:${port}`, token, since: 0, liveHz: 20 });
    const open = async (): Promise<WebSocket> => {
      const socket = new WebSocket(`ws://127.0.0.1:${port}/api/v1/stream`, ['torsiond.v1'], { headers: { authorization: `Bearer ${token}` } });
      await new Promise((resolve, reject) => socket.once('open', resolve).once('error', reject));
      return socket;
    };
    await client.connected();
    return await use(daemon, client, open);
  } finally {
    client?.close();
    await daemon.kill();
  }
}

async function unplugging(): Promise<BenchLine[]> {
  const plan = metersOfAllPaces(UNPLUGS);
  const meters: Meter[] = [];
  try {
    for (const { id, rateHz, restLines } of plan) meters.push(await Meter.open(id, rateHz, restLines));
    return await withDaemon(meters.map(({ instrument }) => instrument), async (daemon, client) => {
      // The times are the daemon's: what else a busy machine does is kept from it, where that is allowed.
      try {
        setPriority(daemon.pid, -15);
      } catch {
        // Only root may; on a machine that does nothing else it makes no difference.
      }
      const rounds = (await Promise.all(meters.map((meter, i) => unplugRounds(meter, new Witness(client, meter), plan[i]!.times)))).flat();
      const highest = (of: 'noticedMs' | 'backMs'): number => Math.max(...rounds.map((round) => round[of]));
      const beganMs = performance.now();
      const cpuMs = daemon.cpuMs();
      await waitUntil(() => performance.now() - beganMs > 2_000, 'two seconds to pass');
      const share = (daemon.cpuMs() - cpuMs) / (performance.now() - beganMs);
      return [
        { name: `(i) unplugged under torque until told / ${NOTICED_MS} ms`, ratio: highest('noticedMs') / NOTICED_MS, atMost: 1, detail: `${highest('noticedMs').toFixed(0)} ms, the longest of ${rounds.length}, at 1 Hz, 1 kHz and 100 kHz` },
        { name: `(i) plugged in until samples are there / ${BACK_MS} ms`, ratio: highest('backMs') / BACK_MS, atMost: 1, detail: `${highest('backMs').toFixed(0)} ms, the longest of ${rounds.length}` },
        { name: `(i) processor time with every plug out / ${QUIET_SHARE} of a core`, ratio: share / QUIET_SHARE, atMost: 1, detail: `${(share * 100).toFixed(1)} % of a core, ${meters.length} instruments waited for` },
      ];
    });
  } finally {
    await Promise.all(meters.map((meter) => meter.close()));
  }
}

async function delays(): Promise<BenchLine> {
  const device = await pulseDevice('bench-a', 2);
  try {
    return await withDaemon([device.instrument], async (_, client, open) => {
      const delaysMs: number[] = [];
      client.on('reading.stored', (event) => delaysMs.push(Date.now() - Date.parse(event.at)));
      await waitUntil(() => delaysMs.length >= READINGS, 'readings without others');
      const alone = delaysMs.splice(0);
      for (let i = 0; i < STOPPED; i++) {
        const socket = await open();
        socket.on('error', () => undefined).send(JSON.stringify({ type: 'subscribe', id: '1', since: 0, liveHz: 50, samples: 'json' }));
        socket.pause();
      }
      await waitUntil(() => delaysMs.length >= READINGS, 'readings beside clients that do not read');
      const p90 = (all: number[]): number => quantile(Float64Array.from(all).sort(), 0.9);
      return {
        name: `(i) a stored reading until a client has it, beside ${STOPPED} that do not read / ${DELAY_MS} ms`, ratio: p90(delaysMs) / DELAY_MS, atMost: 1,
        detail: `p90 of ${delaysMs.length} readings ${p90(delaysMs).toFixed(0)} ms, ${p90(alone).toFixed(0)} ms without them`,
      };
    });
  } finally {
    await device.close();
  }
}

async function demonstration(): Promise<BenchLine[]> {
  const beganMs = performance.now();
  const data = folder();
  const { token } = openTokenStore(data).create('read', 'bench');
  const { program, address } = await Program.start([fileURLToPath(new URL('../../daemon/torsiond.mjs', import.meta.url)), 'start', '--demo', '--port', '0', '--data', data]);
  try {
    const client = connect({ url: address, token, since: 0, liveHz: 0, events: ['reading.stored'] });
    let firstMs: number | null = null;
    client.on('reading.stored', () => { firstMs ??= performance.now() - beganMs; });
    await waitUntil(() => firstMs !== null, 'the first reading');
    client.close();
    const stopMs = performance.now();
    await program.end();
    const endedMs = performance.now() - stopMs;
    return [
      { name: `(i) demonstration: start to first stored reading / ${FIRST_READING_MS / 1_000} s`, ratio: firstMs! / FIRST_READING_MS, atMost: 1, detail: `${(firstMs! / 1_000).toFixed(1)} s` },
      { name: `(i) demonstration: SIGTERM to the end / ${STOP_MS / 1_000} s`, ratio: endedMs / STOP_MS, atMost: 1, detail: `${(endedMs / 1_000).toFixed(2)} s` },
    ];
  } finally {
    await program.end();
  }
}
