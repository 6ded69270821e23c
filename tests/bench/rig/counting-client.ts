/** Process of its own: WebSocket clients that count the samples they get, from torsiond or from the plain script. */
import { WebSocket } from 'ws';
import { decodeSamples } from '../../../shared/wire/binary-samples.ts';
import { SUBPROTOCOL } from '../../../shared/wire/protocol.ts';
import { quantile } from '../../helpers/time-errors.ts';
import { median } from '../statistics.ts';
import { machineMs, type ClientAnswer, type ClientLag, type ClientOrder } from './messages.ts';

interface Arrived {
  readonly atMs: number;
  readonly count: number;
  readonly startWallMs: number;
  readonly spacingMs: number;
}

interface Counted {
  samples: number;
  sum: number;
  nextIndex: number;
  watchedFrom: number;
  arrived: Arrived[];
}

const counted: Counted[] = [];
let isWatching = false;
let broken = 0;
let skipped = 0;
let closed = 0;
let stored = 0;

function takeFrame(one: Counted, data: Buffer): void {
  const { firstIndex, startWallMs, spacingMs, samples } = decodeSamples(data);
  const count = samples.length;
  for (let i = 0; i < count; i++) one.sum += samples[i]!;
  if (one.nextIndex >= 0 && firstIndex !== one.nextIndex) broken += 1;
  one.nextIndex = firstIndex + count;
  one.samples += count;
  if (isWatching) one.arrived.push({ atMs: machineMs(), count, startWallMs, spacingMs });
}

function takeText(data: Buffer, isFirst: boolean): void {
  const message = JSON.parse(data.toString()) as { type: string; count?: number; code?: string; message?: string };
  if (message.type === 'samples.skipped') skipped += message.count ?? 0;
  else if (message.type === 'reading.stored' && isFirst) stored += 1;
  else if (message.type === 'refused') throw new Error(`${message.code}: ${message.message}`);
}

async function connect({ subject, address, token, sockets }: Extract<ClientOrder, { kind: 'connect' }>): Promise<ClientAnswer> {
  await Promise.all(Array.from({ length: sockets }, (_, i) => new Promise<void>((resolve, reject) => {
    const one: Counted = { samples: 0, sum: 0, nextIndex: -1, watchedFrom: 0, arrived: [] };
    counted.push(one);
    const socket = subject === 'plain'
      ? new WebSocket(address, { perMessageDeflate: false })
      : new WebSocket(address, SUBPROTOCOL, { headers: { authorization: `Bearer ${token}` }, perMessageDeflate: false });
    socket.once('error', reject);
    socket.once('close', () => (closed += 1));
    socket.once('open', () => {
      if (subject === 'torsiond') socket.send(JSON.stringify({ type: 'subscribe', id: 'all', samples: 'binary' }));
      resolve();
    });
    socket.on('message', (data: Buffer, isBinary) => {
      if (isBinary) takeFrame(one, data);
      else if (subject === 'torsiond') takeText(data, i === 0);
      else {
        one.samples += 1;
        one.sum += (JSON.parse(data.toString()) as { torque: number }).torque;
        if (isWatching) one.arrived.push({ atMs: machineMs(), count: 1, startWallMs: 0, spacingMs: 0 });
      }
    });
  })));
  return { kind: 'connected' };
}

function lag({ startMs, rateHz, before }: Extract<ClientOrder, { kind: 'lag' }>): ClientLag {
  isWatching = false;
  const periodMs = 1_000 / rateHz;
  const seconds: number[][] = [];
  const spacing: number[] = [];
  for (const [socket, one] of counted.entries()) {
    const first = one.watchedFrom - before[socket]!;
    let index = first;
    one.arrived.forEach(({ atMs, count, startWallMs, spacingMs }, f) => {
      for (let i = 0; i < count; i++, index++) {
        (seconds[Math.floor((index - first) / rateHz)] ??= []).push(atMs - startMs - index * periodMs);
        if (i > 0) spacing.push(Math.abs(spacingMs - periodMs));
      }
      const after = one.arrived[f + 1];
      if (after) spacing.push(Math.abs(after.startWallMs - startWallMs - (count - 1) * spacingMs - periodMs));
    });
    one.arrived = [];
  }
  const sorted = (values: readonly number[]): Float64Array => Float64Array.from(values).sort();
  const all = sorted(seconds.flat());
  const p99s = seconds.map((lags) => quantile(sorted(lags), 0.99));
  const part = Math.max(1, Math.floor(p99s.length / 3));
  return {
    kind: 'lag', samples: all.length, medianMs: quantile(all, 0.5), p99Ms: median(p99s), maxMs: all.at(-1)!,
    growthMs: median(p99s.slice(-part)) - median(p99s.slice(0, part)), spacingP99Ms: quantile(sorted(spacing), 0.99),
  };
}

async function obey(order: ClientOrder): Promise<ClientAnswer> {
  switch (order.kind) {
    case 'connect': return connect(order);
    case 'counts': return { kind: 'counts', samples: counted.map(({ samples }) => samples), sums: counted.map(({ sum }) => sum), broken, skipped, closed, stored };
    case 'watch': {
      isWatching = true;
      for (const one of counted) one.watchedFrom = one.samples;
      return { kind: 'connected' };
    }
    case 'lag': return lag(order);
  }
}

process.on('message', (order: ClientOrder) => {
  void obey(order).then((answer) => process.send!(answer));
});
process.on('disconnect', () => process.exit(0));
