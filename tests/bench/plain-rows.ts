/** A trace as CSV, and what one would write to read it: split at line ends and commas, `Number`. */
import { createReadStream, createWriteStream } from 'node:fs';
import { once } from 'node:events';

/** @returns its rows */
export async function writeTrace(path: string, torque: Float64Array, rateHz: number): Promise<number> {
  const stream = createWriteStream(path);
  stream.write('time_s,torque_Nm\n');
  for (let at = 0; at < torque.length; at += 10_000) {
    const lines = Array.from(torque.subarray(at, at + 10_000), (value, i) => `${((at + i) / rateHz).toFixed(6)},${value.toFixed(4)}\n`);
    if (!stream.write(lines.join(''))) await once(stream, 'drain');
  }
  stream.end();
  await once(stream, 'close');
  return torque.length;
}

/** @throws Error when not every row was seen */
export async function secondsOf(read: () => Promise<number>, rows: number): Promise<number> {
  const began = performance.now();
  const seen = await read();
  if (seen !== rows) throw new Error(`${seen} of ${rows} rows were read`);
  return (performance.now() - began) / 1_000;
}

/** @returns the rows that are two numbers */
export async function plainRows(path: string): Promise<number> {
  let rest = '';
  let count = 0;
  let isHeader = true;
  for await (const part of createReadStream(path, { encoding: 'utf8', highWaterMark: 262_144 }) as AsyncIterable<string>) {
    const lines = (rest + part).split('\n');
    rest = lines.pop()!;
    for (const line of lines) {
      const [time, torque] = line.split(',');
      if (isHeader) isHeader = false;
      else if (Number.isFinite(Number(time)) && Number.isFinite(Number(torque))) count++;
    }
  }
  return count;
}
