import { appendFileSync, existsSync, mkdirSync, readFileSync, statSync, truncateSync, writeFileSync } from 'node:fs';
import { open } from 'node:fs/promises';
import { join } from 'node:path';
import { McapStreamReader, McapWriter } from '@mcap/core';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { createRecorder } from '../../../daemon/recording/recorder.ts';
import { readRecording, type RecordingItem } from '../../../daemon/recording/recording-reader.ts';
import { InstrumentSettings } from '../../../daemon/settings/schema.ts';
import type { ByteChunk } from '../../../drivers/links/link.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const instrument = InstrumentSettings.parse({
  id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4001 }, driver: { id: 'ascii-lines', options: { delimiter: '\n' } },
  channels: [{ transducer: { serialNumber: 'HF-T-0001', capacity: 60 }, capture: { mode: 'peak' } }],
});
const options = (clock: ManualClock) => ({ station: 'Hollin & Fenn', software: 'torsiond 0.0.0-test', clock });
const chunk = (text: string, atMs: number): ByteChunk => ({ data: new TextEncoder().encode(text), atMs });
const text = (data: Uint8Array): string => new TextDecoder().decode(data);

async function items(path: string): Promise<RecordingItem[]> {
  const all: RecordingItem[] = [];
  for await (const item of readRecording(path)) all.push(item);
  return all;
}

/** As time passes: each chunk of bytes in an MCAP chunk of its own. */
async function recorded(path: string, chunks: readonly ByteChunk[]): Promise<void> {
  const clock = new ManualClock();
  const recorder = await createRecorder(path, options(clock));
  const connection = recorder.connection(instrument, 1);
  for (const one of chunks) {
    const { size } = statSync(path);
    connection.chunk(one);
    await waitUntil(() => {
      clock.advance(50);
      return statSync(path).size > size;
    }, 'the chunk in the file');
  }
  await recorder.close();
}

/** Where the MCAP chunks end. */
function chunkEnds(bytes: Buffer): number[] {
  const ends: number[] = [];
  for (let at = 8; at + 9 < bytes.length; at += 9 + Number(bytes.readBigUInt64LE(at + 1))) {
    if (bytes[at] === 0x06) ends.push(at + 9 + Number(bytes.readBigUInt64LE(at + 1)));
  }
  return ends;
}

describe('a recording', () => {
  it('gives back every chunk with its bytes and its very arrival time, and the settings of the connection', async () => {
    const path = join(tempFolder(), 'a.mcap');
    // Arrival times as the monotonic clock gives them: whole nanoseconds, as milliseconds.
    const chunks = [chunk('1.0\n2', 1_000.123456), chunk('.0\n', 1_000.123457), chunk('', 1_003), chunk('\u0000\u00ff3\n', 987_654.321987)];
    await recorded(path, chunks);
    const read = await items(path);
    expect(read[0]).toMatchObject({ kind: 'connection', connection: { instrument, epoch: 1, piece: 0, station: 'Hollin & Fenn', startWallMs: Date.UTC(2026, 10, 25, 8), startMonoMs: 1_000 } });
    expect(read.slice(1)).toEqual(chunks.map((one) => ({ kind: 'chunk', connection: (read[0] as { connection: unknown }).connection, chunk: one })));
  });

  it('is an MCAP file that a plain reader of that format reads to its end', async () => {
    const path = join(tempFolder(), 'a.mcap');
    await recorded(path, [chunk('1\n', 1_001)]);
    const reader = new McapStreamReader();
    reader.append(readFileSync(path));
    const types: string[] = [];
    for (let record; (record = reader.nextRecord()); ) types.push(record.type);
    expect(reader.done()).toBe(true);
    expect(types.slice(0, 5)).toEqual(['Header', 'Schema', 'Channel', 'Message', 'MessageIndex']);
    expect(types).toEqual(expect.arrayContaining(['Statistics', 'ChunkIndex', 'SummaryOffset']));
    expect(types.at(-1)).toBe('Footer');
  });

  it('keeps apart the connections of an instrument and several instruments', async () => {
    const path = join(tempFolder(), 'a.mcap');
    const recorder = await createRecorder(path, options(new ManualClock()));
    const other = { ...instrument, id: 'bench-b' };
    const [first, second] = [recorder.connection(instrument, 1), recorder.connection(other, 1)];
    first.chunk(chunk('a1', 1_001));
    second.chunk(chunk('b1', 1_002));
    recorder.connection(instrument, 2).chunk(chunk('a2', 1_003));
    await recorder.close();
    const chunks = (await items(path)).filter((item) => item.kind === 'chunk');
    expect(chunks.map((item) => [item.connection.instrument.id, item.connection.epoch, text(item.chunk.data)])).toEqual([
      ['bench-a', 1, 'a1'], ['bench-b', 1, 'b1'], ['bench-a', 2, 'a2'],
    ]);
  });

  it('has its bytes in the file before it is closed', async () => {
    const path = join(tempFolder(), 'a.mcap');
    const clock = new ManualClock();
    const recorder = await createRecorder(path, options(clock));
    recorder.connection(instrument, 1).chunk(chunk('42.0\n', 1_001));
    await waitUntil(() => clock.pendingTimers > 0, 'the chunk to be laid out');
    expect(readFileSync(path).includes('42.0\n')).toBe(false);
    clock.advance(250);
    await waitUntil(() => readFileSync(path).includes('42.0\n'), 'the chunk in the file');
    await recorder.close();
  });

  it('never overwrites a file, and says what stands in the way', async () => {
    const folder = tempFolder();
    const path = join(folder, 'a.mcap');
    writeFileSync(path, 'precious');
    await expect(createRecorder(path, options(new ManualClock()))).rejects.toMatchObject({ code: 'OUTPUT_FAILED', where: path });
    expect(readFileSync(path, 'utf8')).toBe('precious');
    await expect(createRecorder(join(folder, 'none', 'a.mcap'), options(new ManualClock()))).rejects.toMatchObject({ code: 'OUTPUT_FAILED' });
  });

  it('reports a disk that takes no more, once, and counts what it could not keep', async () => {
    // Linux: every write to /dev/full fails with ENOSPC.
    if (!existsSync('/dev/full')) return;
    const link = join(tempFolder(), 'full');
    mkdirSync(link);
    await expect(open('/dev/full', 'wx')).rejects.toThrow();
    const clock = new ManualClock();
    const recorder = await createRecorder(join(link, 'a.mcap'), { ...options(clock), queueBytes: 4 });
    const connection = recorder.connection(instrument, 1);
    connection.chunk(chunk('12345', 1_001));
    expect(recorder.counters()).toEqual({ chunks: 0, bytes: 0, droppedChunks: 1, droppedBytes: 5, droppedTorque: 0 });
    await recorder.close();
  });

  it('beyond its queue leaves chunks out, counts them, and marks the break so that no replay joins the two sides', async () => {
    const path = join(tempFolder(), 'a.mcap');
    const clock = new ManualClock();
    const recorder = await createRecorder(path, { ...options(clock), queueBytes: 10 });
    const connection = recorder.connection(instrument, 1);
    connection.chunk(chunk('12345678', 1_001));
    connection.chunk(chunk('too much', 1_002));
    await waitUntil(() => {
      clock.advance(50);
      return recorder.counters().chunks === 1;
    }, 'the first chunk written');
    connection.chunk(chunk('after', 1_003));
    await recorder.close();
    expect(recorder.counters()).toEqual({ chunks: 2, bytes: 13, droppedChunks: 1, droppedBytes: 8, droppedTorque: 0 });
    const chunks = (await items(path)).filter((item) => item.kind === 'chunk');
    expect(chunks.map((item) => [item.connection.piece, text(item.chunk.data)])).toEqual([[0, '12345678'], [1, 'after']]);
  });
});

describe('a recording that was cut', () => {
  it('anywhere gives every chunk that is whole before the cut, then says that it was cut', async () => {
    const folder = tempFolder();
    const whole = join(folder, 'whole.mcap');
    const chunks = Array.from({ length: 20 }, (_, i) => chunk(`${i}.5\n`, 1_000 + i));
    await recorded(whole, chunks);
    const bytes = readFileSync(whole);
    const ends = chunkEnds(bytes);
    expect(ends).toHaveLength(20);
    await fc.assert(fc.asyncProperty(fc.integer({ min: 60, max: bytes.length - 1 }), async (length) => {
      const path = join(folder, 'cut.mcap');
      writeFileSync(path, bytes.subarray(0, length));
      const read = await items(path);
      const kept = read.filter((item) => item.kind === 'chunk').map((item) => text(item.chunk.data));
      expect(kept).toEqual(chunks.slice(0, ends.filter((end) => end <= length).length).map((one) => text(one.data)));
      expect(read.at(-1)).toMatchObject({ kind: 'cut', error: { code: 'INPUT_CUT', where: path } });
    }), { numRuns: 60 });
  });

  it('tells how much was read', async () => {
    const path = join(tempFolder(), 'a.mcap');
    await recorded(path, [chunk('1.0\n', 1_001), chunk('2.0\n', 1_002)]);
    truncateSync(path, statSync(path).size - 1);
    expect((await items(path)).at(-1)).toMatchObject({ kind: 'cut', error: { message: expect.stringContaining('2 chunks with 8 bytes') as string } });
  });

  it('or to which bytes were added is told', async () => {
    const path = join(tempFolder(), 'a.mcap');
    await recorded(path, [chunk('1.0\n', 1_001)]);
    appendFileSync(path, 'x');
    expect((await items(path)).at(-1)).toMatchObject({ kind: 'cut', error: { code: 'INPUT_CUT' } });
  });

  it('or overwritten in the middle gives what stands before the damage', async () => {
    const path = join(tempFolder(), 'a.mcap');
    await recorded(path, Array.from({ length: 20 }, (_, i) => chunk(`${i}.5\n`, 1_000 + i)));
    const bytes = readFileSync(path);
    bytes.fill(0xff, bytes.indexOf('11.5\n') - 20, bytes.indexOf('11.5\n') + 2);
    writeFileSync(path, bytes);
    const read = await items(path);
    // The damage reaches into the next MCAP chunk, whose checksum tells.
    expect(read.filter((item) => item.kind === 'chunk')).toHaveLength(11);
    expect(read.at(-1)).toMatchObject({ kind: 'cut', error: { code: 'INPUT_CUT' } });
  });
});

describe('a file that is no recording', () => {
  it('is refused: other bytes, an empty file, a file that is not there, a folder', async () => {
    const folder = tempFolder();
    const path = join(folder, 'a.mcap');
    writeFileSync(path, 'time_s,torque_Nm\n0,1\n');
    await expect(items(path)).rejects.toMatchObject({ code: 'INPUT_FORMAT', where: path });
    writeFileSync(path, '');
    await expect(items(path)).rejects.toMatchObject({ code: 'INPUT_FORMAT' });
    await expect(items(join(folder, 'none.mcap'))).rejects.toMatchObject({ code: 'INPUT_NOT_FOUND' });
    await expect(items(folder)).rejects.toMatchObject({ code: 'INPUT_NOT_FOUND' });
  });

  it('is refused when another program made the MCAP file', async () => {
    const path = join(tempFolder(), 'a.mcap');
    let position = 0n;
    const parts: Uint8Array[] = [];
    const writer = new McapWriter({ writable: { position: () => position, write: async (bytes) => { parts.push(bytes.slice()); position += BigInt(bytes.length); } } });
    await writer.start({ profile: 'somebody', library: 'else' });
    await writer.end();
    writeFileSync(path, Buffer.concat(parts));
    await expect(items(path)).rejects.toMatchObject({ code: 'INPUT_FORMAT', message: expect.stringContaining('"somebody"') as string });
  });
});
