import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { createRecorder } from '../../../daemon/recording/recorder.ts';
import { readRecording } from '../../../daemon/recording/recording-reader.ts';
import { WholeRecords } from '../../../daemon/recording/whole-records.ts';
import { InstrumentSettings } from '../../../daemon/settings/schema.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

const instrument = InstrumentSettings.parse({
  id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: { id: 'ascii-lines' }, channels: [{ transducer: { serialNumber: 'HF-T-0001', capacity: 60 }, capture: { mode: 'peak' } }],
});

async function recording(folder: string): Promise<Buffer> {
  const path = join(folder, 'whole.mcap');
  const recorder = await createRecorder(path, { station: 'Hollin & Fenn', software: 'torsiond test', clock: new ManualClock() });
  const connection = recorder.connection(instrument, 1);
  for (let i = 0; i < 20; i++) connection.chunk({ data: new TextEncoder().encode(`${i}.5\n`), atMs: 1_001 + i });
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

it('passes a whole recording on unchanged, in whatever pieces it comes, and counts its chunks', async () => {
  const bytes = await recording(tempFolder());
  fc.assert(fc.property(fc.array(fc.integer({ min: 1, max: 200 }), { minLength: 1, maxLength: 20 }), (sizes) => {
    const { records, out } = passed(bytes, sizes);
    expect(out.equals(bytes)).toBe(true);
    expect(records.isComplete).toBe(true);
    expect(records.counters).toEqual({ chunks: 20, bytes: 10 * 4 + 10 * 5 });
  }), { numRuns: 50 });
});

it('makes a proper recording of one that was broken off anywhere', async () => {
  const folder = tempFolder();
  const bytes = await recording(folder);
  const firstMessage = bytes.indexOf('0.5\n') - 31;
  await fc.assert(fc.asyncProperty(fc.integer({ min: firstMessage, max: bytes.indexOf('19.5\n') + 5 }), fc.integer({ min: 1, max: 300 }), async (length, size) => {
    const { records, out } = passed(bytes.subarray(0, length), [size]);
    expect(records.isComplete).toBe(false);
    const path = join(folder, 'ended.mcap');
    writeFileSync(path, Buffer.concat([out, records.end()]));
    const kinds: string[] = [];
    for await (const item of readRecording(path)) kinds.push(item.kind);
    expect(kinds).toEqual(['connection', ...Array.from({ length: records.counters.chunks }, () => 'chunk')]);
  }), { numRuns: 50 });
});

it('refuses what is no recording before it keeps much of it', () => {
  expect(() => new WholeRecords().take(new Uint8Array(100).fill(0xff))).toThrow(expect.objectContaining({ code: 'INPUT_FORMAT' }) as Error);
});
