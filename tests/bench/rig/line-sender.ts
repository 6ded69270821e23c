/** Process of its own: a pseudo terminal, and lines that were made beforehand, at whatever pace is asked for. */
import { openPtyPort, type PtyPort } from '../../../simulator/ports/pty-port.ts';
import { pullSignal } from '../signal.ts';
import { machineMs, type SenderAnswer, type SenderOrder } from './messages.ts';

interface Lines {
  readonly bytes: Buffer;
  /** Where each line begins, and the end. */
  readonly starts: Float64Array;
  /** The values as they stand in the lines. */
  readonly values: Float64Array;
}

const MAX_WRITE_BYTES = 32 * 1024;
/** Enough for a second of anything: what the program does not keep up with shows as lateness, not as loss in the rig. */
const MAX_BACKLOG_BYTES = 16 * 1024 * 1024;
let port: PtyPort;
let lines: Lines;
/** The line that is next, round and round. */
let next = 0;

function makeLines(rateHz: number, seconds: number): Lines {
  const texts = Array.from(pullSignal(rateHz, seconds), (torque) => `${torque.toFixed(3)}\r\n`);
  const starts = new Float64Array(texts.length + 1);
  texts.forEach((text, i) => {
    starts[i + 1] = starts[i]! + text.length;
  });
  return { bytes: Buffer.from(texts.join(''), 'latin1'), starts, values: Float64Array.from(texts, Number) };
}

/** Writes the next lines in pieces of whole lines. */
function write(count: number): void {
  const total = lines.starts.length - 1;
  while (count > 0) {
    const from = next;
    let to = Math.min(total, from + count);
    const most = lines.starts[from]! + MAX_WRITE_BYTES;
    while (lines.starts[to]! > most) to = from + Math.floor((to - from) / 2);
    port.write(lines.bytes.subarray(lines.starts[from], lines.starts[to]));
    count -= to - from;
    next = to % total;
  }
}

function send(order: Extract<SenderOrder, { kind: 'send' }>): Promise<SenderAnswer> {
  const { rateHz, count, everyMs } = order;
  const lostBefore = lost();
  const sums = sumsOf(next, count);
  const startMs = machineMs();
  let sent = 0;
  let latestMs = 0;
  return new Promise((resolve) => {
    const tick = (): void => {
      const nowMs = machineMs();
      const due = Math.min(count, Math.floor(((nowMs - startMs) * rateHz) / 1_000) + 1);
      if (due > sent) {
        latestMs = Math.max(latestMs, nowMs - startMs - (sent * 1_000) / rateHz);
        write(due - sent);
        sent = due;
      }
      if (sent < count) setTimeout(tick, everyMs);
      else resolve({ kind: 'sent', startMs, endMs: machineMs(), latestMs, lostBytes: lost() - lostBefore, ...sums });
    };
    tick();
  });
}

function sumsOf(from: number, count: number): { sum: number; sumOfMagnitudes: number } {
  const { values } = lines;
  let sum = 0;
  let sumOfMagnitudes = 0;
  for (let i = 0; i < count; i++) {
    const value = values[(from + i) % values.length]!;
    sum += value;
    sumOfMagnitudes += Math.abs(value);
  }
  return { sum, sumOfMagnitudes };
}

function lost(): number {
  return port.counters.overrunBytes + port.counters.unheardBytes;
}

async function obey(order: SenderOrder): Promise<SenderAnswer> {
  if (order.kind === 'send') return send(order);
  lines = makeLines(order.rateHz, order.seconds);
  port = await openPtyPort({ maxBacklogBytes: MAX_BACKLOG_BYTES });
  return { kind: 'open', path: port.address.path };
}

process.on('message', (order: SenderOrder) => {
  void obey(order).then((answer) => process.send!(answer));
});
process.on('disconnect', () => void port.close().then(() => process.exit(0)));
