import { readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { McapIndexedReader } from '@mcap/core';
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { createRecorder } from '../../../daemon/recording/recorder.ts';
import { readRecording } from '../../../daemon/recording/recording-reader.ts';
import { WholeRecords } from '../../../daemon/recording/whole-records.ts';
import { InstrumentSettings } from '../../../daemon/settings/schema.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const instrument = InstrumentSettings.parse({
  id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: { id: 'ascii-lines' }, channels: [{ transducer: { serialNumber: 'HF-T-0001', capacity: 60 }, capture: { mode: 'peak' } }],
});

async function recording(folder: string): Promise<Buffer> {
  const path = join(folder, 'whole.mcap');
  const clock = new ManualClock();
  const recorder = await createRecorder(path, { station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const connection = recorder.connection(instrument, 1);
  for (let i = 0; i < 20; i++) {
    connection.chunk({ data: new TextEncoder().encode(`${i}.5\n`), atMs: 1_001 + i });
    if (i % 2 === 0) continue;
    const { size } = statSync(path);
    await waitUntil(() => {
      clock.advance(50);
      return statSync(path).size > size;
    }, 'two chunks in the file');
  }
  recorder.mark({ kind: 'gap', instrument: 'bench-a', reason: 'lost' });
  await recorder.close();
  return readFileSync(path);
}

/** Hands over the bytes in pieces of these sizes, in turn. */
function passed(bytes: Buffer, sizes: readonly number[]): { records: WholeRecords; out: Buffer } {
  const records = new WholeRecords();
  const out: Buffer[] = [];
  for (let at = 0, i = 0; at < bytes.length; i++) {
    const size = sizes[i % sizes.length]!;
    out.push(Buffer.from(records.take(bytes.subarray(at, at + size))));
    at += size;
  }
  return { records, out: Buffer.concat(out) };
}

it('gives a whole recording back unchanged, in whatever pieces it comes, and counts its chunks', async () => {
  const bytes = await recording(tempFolder());
  fc.assert(fc.property(fc.array(fc.integer({ min: 1, max: 200 }), { minLength: 1, maxLength: 20 }), (sizes) => {
    const { records, out } = passed(bytes, sizes);
    expect(Buffer.concat([out, records.end()]).equals(bytes)).toBe(true);
    expect(records.isComplete).toBe(true);
    expect(records.counters).toEqual({ chunks: 20, bytes: 10 * 4 + 10 * 5 });
  }), { numRuns: 50 });
});

it('makes a proper recording of one that was broken off anywhere', async () => {
  const folder = tempFolder();
  const bytes = await recording(folder);
  const firstChunkEnd = bytes.indexOf('1.5\n') + 4;
  await fc.assert(fc.asyncProperty(fc.integer({ min: firstChunkEnd, max: bytes.length - 1 }), fc.integer({ min: 1, max: 300 }), async (length, size) => {
    const { records, out } = passed(bytes.subarray(0, length), [size]);
    const path = join(folder, 'ended.mcap');
    writeFileSync(path, Buffer.concat([out, records.end()]));
    const kinds: string[] = [];
    for await (const item of readRecording(path)) kinds.push(item.kind);
    expect(kinds.filter((kind) => kind !== 'mark')).toEqual(['connection', ...Array.from({ length: records.counters.chunks }, () => 'chunk')]);
    expect(await countedByIndex(path)).toBe(kinds.length - 1);
  }), { numRuns: 50 });
});

/** As tools count that read the summary alone. */
async function countedByIndex(path: string): Promise<number> {
  const bytes = readFileSync(path);
  const reader = await McapIndexedReader.Initialize({
    readable: { size: async () => BigInt(bytes.length), read: async (offset, size) => new Uint8Array(bytes.subarray(Number(offset), Number(offset + size))) },
  });
  return Number(reader.statistics!.messageCount);
}

it('refuses what is no recording before it keeps much of it', () => {
  expect(() => new WholeRecords().take(new Uint8Array(100).fill(0xff))).toThrow(expect.objectContaining({ code: 'INPUT_FORMAT' }) as Error);
});
