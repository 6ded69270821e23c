/** Recordings as other people's tools read them: the readers of the MCAP library, and one written from the specification alone. */
import { execFileSync, spawnSync } from 'node:child_process';
import { readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { McapIndexedReader, McapStreamReader } from '@mcap/core';
import { describe, expect, it } from 'vitest';
import { createRecorder } from '../../../daemon/recording/recorder.ts';
import { readRecording } from '../../../daemon/recording/recording-reader.ts';
import { MAX_TORQUE_HZ, torqueMessages } from '../../../daemon/recording/torque-messages.ts';
import { InstrumentSettings } from '../../../daemon/settings/schema.ts';
import type { SampleBlock } from '../../../shared/sample-block.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { seeded } from '../../helpers/seeded.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const PLAIN_READER = fileURLToPath(new URL('../../helpers/mcap-plain-reader.py', import.meta.url));
const instrument = InstrumentSettings.parse({
  id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: { id: 'ascii-lines' }, channels: [{ transducer: { serialNumber: 'HF-T-0001', capacity: 60 }, capture: { mode: 'peak' } }],
});
const BLOCKS = 40;
const BLOCK = 25;

const block = (n: number, rateHz = 500): SampleBlock => ({
  channel: 'bench-a/1', epoch: 1, firstIndex: n * BLOCK, gap: null, startMs: 1_000 + (n * BLOCK * 1_000) / rateHz, spacingMs: 1_000 / rateHz, rateHz, timeEstimated: false,
  unit: null, device: new Float64Array(BLOCK), status: null, torque: Float64Array.from({ length: BLOCK }, (_, i) => Math.sin(n + i / 7) * 30),
  conditioning: { unit: 'N.m', calibration: { kind: 'none' }, zero: 0, sign: 1 },
});

/** Forty chunks of bytes, a mark, and their torque, in several MCAP chunks. */
async function recorded(): Promise<string> {
  const path = join(tempFolder(), 'a.mcap');
  const clock = new ManualClock();
  const recorder = await createRecorder(path, { station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const connection = recorder.connection(instrument, 1);
  for (let n = 0; n < BLOCKS; n++) {
    connection.chunk({ data: new TextEncoder().encode(`${n}.5\n`), atMs: 1_050 + n * 50 });
    recorder.torque(block(n));
    if (n === 20) recorder.mark({ kind: 'gap', instrument: 'bench-a', reason: 'silence' });
    if (n % 8 !== 7) continue;
    const { size } = statSync(path);
    await waitUntil(() => {
      clock.advance(50);
      return statSync(path).size > size;
    }, 'a chunk in the file');
  }
  await recorder.close();
  return path;
}

function plainly(path: string, ...span: string[]) {
  return JSON.parse(execFileSync('python3', [PLAIN_READER, path, ...span], { encoding: 'utf8' })) as {
    schemas: [string, string][]; counts: Record<string, number>; chunks: number; first: string; last: string; encodings: Record<string, [string, string]>; found: [number, string][];
  };
}

const T0_NS = BigInt(Date.UTC(2026, 10, 25, 8)) * 1_000_000n;
const COUNTS = { 'bench-a/bytes': BLOCKS, 'bench-a/1/torque': BLOCKS * BLOCK, 'torsiond/marks': 1 };

describe('a recording with torque', () => {
  it('is listed, counted and searched in time by the indexed reader of the library', async () => {
    const path = await recorded();
    const bytes = readFileSync(path);
    const read: [number, number][] = [];
    const reader = await McapIndexedReader.Initialize({
      readable: {
        size: async () => BigInt(bytes.length),
        read: async (offset, size) => {
          read.push([Number(offset), Number(size)]);
          return new Uint8Array(bytes.subarray(Number(offset), Number(offset + size)));
        },
      },
    });
    const topics = [...reader.channelsById.values()].map(({ id, topic }) => [topic, Number(reader.statistics!.channelMessageCounts.get(id))]);
    expect(Object.fromEntries(topics)).toEqual(COUNTS);
    expect([...reader.schemasById.values()].map(({ name, encoding }) => [name, encoding]).sort()).toEqual([
      ['torsiond.Bytes', 'jsonschema'], ['torsiond.Mark', 'jsonschema'], ['torsiond.Torque', 'jsonschema'],
    ]);
    expect(reader.chunkIndexes.length).toBeGreaterThan(4);

    read.length = 0;
    const span = { startTime: T0_NS + 400_000_000n, endTime: T0_NS + 500_000_000n };
    const found: [bigint, number][] = [];
    for await (const { logTime, data } of reader.readMessages({ topics: ['bench-a/1/torque'], ...span })) {
      found.push([logTime, (JSON.parse(new TextDecoder().decode(data)) as { torque: number }).torque]);
    }
    const wanted = Array.from({ length: BLOCKS }, (_, n) => [...block(n).torque].map((torque, i): [bigint, number] => [T0_NS + BigInt((n * BLOCK + i) * 2_000_000), torque])).flat();
    expect(found).toEqual(wanted.filter(([at]) => at >= span.startTime && at <= span.endTime));
    expect(found).toHaveLength(51);
    // It looked where the index points, and not through the file.
    expect(read.reduce((sum, [, size]) => sum + size, 0)).toBeLessThan(bytes.length / 2);
  });

  it('is read from end to end by the reader of the library for streams', async () => {
    const reader = new McapStreamReader({ validateCrcs: true });
    reader.append(readFileSync(await recorded()));
    const seen = new Map<number, number>();
    const topics = new Map<number, string>();
    for (let record; (record = reader.nextRecord());) {
      if (record.type === 'Channel') topics.set(record.id, record.topic);
      if (record.type === 'Message') seen.set(record.channelId, (seen.get(record.channelId) ?? 0) + 1);
    }
    expect(reader.done()).toBe(true);
    expect(Object.fromEntries([...seen].map(([id, count]) => [topics.get(id), count]))).toEqual(COUNTS);
  });

  it.skipIf(spawnSync('python3', ['--version']).status !== 0)('is read by a program that knows nothing but the specification', async () => {
    const path = await recorded();
    const from = T0_NS + 1_000_000_000n;
    const told = plainly(path, 'bench-a/bytes', String(from), String(from + 200_000_000n));
    expect(told).toMatchObject({
      counts: COUNTS, first: String(T0_NS), last: String(T0_NS + 2_050_000_000n - 50_000_000n),
      schemas: [['torsiond.Bytes', 'jsonschema'], ['torsiond.Mark', 'jsonschema'], ['torsiond.Torque', 'jsonschema']],
      encodings: { 'bench-a/bytes': ['octets', 'torsiond.Bytes'], 'bench-a/1/torque': ['json', 'torsiond.Torque'], 'torsiond/marks': ['json', 'torsiond.Mark'] },
    });
    expect(told.found.map(([, text]) => text)).toEqual(['19.5\n', '20.5\n', '21.5\n', '22.5\n', '23.5\n']);
  });

  it('gives a replay its bytes and marks, and nothing of the torque', async () => {
    const kinds: string[] = [];
    for await (const item of readRecording(await recorded())) kinds.push(item.kind);
    expect(kinds).toEqual(['connection', ...new Array<string>(21).fill('chunk'), 'mark', ...new Array<string>(19).fill('chunk')]);
  });
});

it('torque of fast channels comes in so many messages a second, and no peak is lost between them', () => {
  const random = seeded(7);
  const rateHz = 20_000;
  const torque = Float64Array.from({ length: 1_990 }, () => 20 * random() - 10);
  const messages = torqueMessages({ ...block(0, rateHz), torque });
  expect(messages).toHaveLength(100);
  expect((messages.length / torque.length) * rateHz).toBeLessThan(1.01 * MAX_TORQUE_HZ);
  const told = messages.map(({ data }) => JSON.parse(new TextDecoder().decode(data)) as { torque: number; lowest: number; highest: number; samples: number });
  expect(told.reduce((sum, { samples }) => sum + samples, 0)).toBe(torque.length);
  told.forEach((one, n) => {
    const part = torque.subarray(20 * n, 20 * n + 20);
    expect(one).toEqual({
      torque: part.find((value) => Math.abs(value) === Math.max(...part.map(Math.abs))), lowest: Math.min(...part), highest: Math.max(...part), samples: part.length,
    });
    expect(messages[n]!.atMs).toBe(1_000 + (20 * n + part.indexOf(one.torque)) / 20);
  });
});
