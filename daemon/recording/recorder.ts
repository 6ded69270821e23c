/** Writes the raw bytes of instruments, with their arrival times, to an MCAP file. See `recording-format.ts`. */
import { open, type FileHandle } from 'node:fs/promises';
import { McapRecordBuilder, type McapTypes } from '@mcap/core';
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import { connectionMetadata, RECORDING_PROFILE, toNanoseconds } from './recording-format.ts';

export interface RecorderOptions {
  readonly station: string;
  /** Name and version of what records. */
  readonly software: string;
  readonly clock: Clock;
  /** Most bytes that wait for the disk; chunks beyond are left out, counted and marked in the file. Default 8 MiB. */
  readonly queueBytes?: number;
}

/** All only grow. Chunks count once the operating system has them. */
export interface RecorderCounters {
  readonly chunks: number;
  readonly bytes: number;
  readonly droppedChunks: number;
  readonly droppedBytes: number;
}

export interface ConnectionRecorder {
  /** Never blocks and never throws. Chunks of one connection must come in order of time. */
  chunk(chunk: ByteChunk): void;
}

export interface Recorder {
  /** A new connection of an instrument. */
  connection(instrument: InstrumentSettings, epoch: number): ConnectionRecorder;
  counters(): RecorderCounters;
  /** Resolves when writing fails; nothing is written after. Never rejects. */
  readonly failed: Promise<TorsiondError>;
  /** Writes what waits and the end of the file. Idempotent. @throws TorsiondError OUTPUT_FAILED */
  close(): Promise<void>;
}

interface Waiting {
  readonly channel: ChannelState;
  readonly data: Uint8Array;
  readonly atMs: number;
}

interface ChannelState {
  readonly instrument: InstrumentSettings;
  readonly epoch: number;
  piece: number;
  /** MCAP channel of the current piece; undefined until its first message is written. */
  id: number | undefined;
  sequence: number;
}

const SYNC_EVERY_MS = 1_000;
const WRITE_AT_ONCE_BYTES = 65_536;

/** @throws TorsiondError OUTPUT_FAILED when the file exists already or cannot be made */
export async function createRecorder(path: string, options: RecorderOptions): Promise<Recorder> {
  const outputFailed = (thrown: unknown, what: string): TorsiondError => {
    const code = (thrown as NodeJS.ErrnoException | null)?.code;
    const reason = code === 'EEXIST' ? 'the file exists already and is not overwritten' : `${what} (${code ?? String(thrown)})`;
    return new TorsiondError('OUTPUT_FAILED', reason, { where: path, cause: thrown });
  };
  let file: FileHandle;
  try {
    file = await open(path, 'wx');
  } catch (thrown) {
    throw outputFailed(thrown, 'the recording cannot be created');
  }
  const { clock } = options;
  const queueLimit = options.queueBytes ?? 8_388_608;
  const startWallMs = clock.wallMs();
  const startMonoMs = clock.monoMs();
  const startWallNs = toNanoseconds(startWallMs);
  const startMonoNs = toNanoseconds(startMonoMs);

  const output = mcapOutput(file);
  const counters = { chunks: 0, bytes: 0, droppedChunks: 0, droppedBytes: 0 };
  let queue: Waiting[] = [];
  let queuedBytes = 0;
  let failure: TorsiondError | null = null;
  let announceFailure: (error: TorsiondError) => void = () => {};
  const failed = new Promise<TorsiondError>((resolve) => (announceFailure = resolve));
  let working: Promise<void> | null = null;
  let cancelSync: (() => void) | null = null;
  let closing: Promise<void> | null = null;

  const fail = (thrown: unknown): void => {
    if (failure) return;
    failure = outputFailed(thrown, 'the recording cannot be written');
    drop(queue);
    queue = [];
    queuedBytes = 0;
    announceFailure(failure);
  };
  const drop = (chunks: readonly Waiting[]): void => {
    for (const { data } of chunks) {
      counters.droppedChunks++;
      counters.droppedBytes += data.byteLength;
    }
  };

  const write = ({ channel, data, atMs }: Waiting): void => {
    channel.id ??= output.channel(`${channel.instrument.id}/bytes`, connectionMetadata({
      instrument: channel.instrument, epoch: channel.epoch, piece: channel.piece,
      station: options.station, software: options.software, startWallMs, startMonoMs,
    }));
    output.message(channel.id, channel.sequence++, startWallNs + (toNanoseconds(atMs) - startMonoNs), data);
  };

  const work = async (): Promise<void> => {
    try {
      while (queue.length > 0 && !failure) {
        const batch = queue;
        queue = [];
        let unflushed = { chunks: 0, bytes: 0 };
        for (const waiting of batch) {
          write(waiting);
          unflushed.chunks++;
          unflushed.bytes += waiting.data.byteLength;
          if (output.waiting() < WRITE_AT_ONCE_BYTES && waiting !== batch.at(-1)) continue;
          await output.flush();
          counters.chunks += unflushed.chunks;
          counters.bytes += unflushed.bytes;
          queuedBytes -= unflushed.bytes;
          unflushed = { chunks: 0, bytes: 0 };
        }
      }
      if (!failure) cancelSync ??= clock.after(SYNC_EVERY_MS, sync);
    } catch (thrown) {
      fail(thrown);
    } finally {
      working = null;
    }
  };
  const start = (): void => {
    working ??= work();
  };
  const sync = (): void => {
    cancelSync = null;
    file.datasync().catch(fail);
  };

  try {
    output.begin(options.software);
    await output.flush();
  } catch (thrown) {
    await file.close().catch(() => {});
    throw outputFailed(thrown, 'the recording cannot be written');
  }

  const finish = async (): Promise<void> => {
    while (working) await working;
    cancelSync?.();
    try {
      if (!failure) {
        output.end();
        await output.flush();
        await file.datasync();
      }
    } catch (thrown) {
      fail(thrown);
    } finally {
      await file.close().catch(fail);
    }
    if (failure) throw failure;
  };

  return {
    connection: (instrument, epoch) => {
      const channel: ChannelState = { instrument, epoch, piece: 0, id: undefined, sequence: 0 };
      let current = channel;
      let lost = false;
      return {
        chunk: (chunk) => {
          if (failure || closing || queuedBytes + chunk.data.byteLength > queueLimit) {
            drop([{ channel: current, data: chunk.data, atMs: chunk.atMs }]);
            lost = true;
            return;
          }
          if (lost) {
            // Bytes are missing here: what follows is another piece, so that a replay never joins the two.
            current = { ...current, piece: current.piece + 1, id: undefined, sequence: 0 };
            lost = false;
          }
          queue.push({ channel: current, data: chunk.data, atMs: chunk.atMs });
          queuedBytes += chunk.data.byteLength;
          start();
        },
      };
    },
    counters: () => ({ ...counters }),
    failed,
    close: () => (closing ??= finish()),
  };
}

/**
 * MCAP records into a file. The library's own writer, told not to chunk, keeps every message in memory until the end;
 * so the records are laid out here, one by one, and leave with the next `flush`.
 */
function mcapOutput(file: FileHandle) {
  const records = new McapRecordBuilder();
  const channels: McapTypes.Channel[] = [];
  const counts = new Map<number, bigint>();
  let flushedBytes = 0n;
  let messages = 0n;
  let firstNs: bigint | null = null;
  let lastNs = 0n;
  return {
    begin: (library: string): void => {
      records.writeMagic();
      records.writeHeader({ profile: RECORDING_PROFILE, library });
    },
    channel: (topic: string, metadata: Map<string, string>): number => {
      const channel = { id: channels.length, schemaId: 0, topic, messageEncoding: 'octets', metadata };
      channels.push(channel);
      records.writeChannel(channel);
      return channel.id;
    },
    message: (channelId: number, sequence: number, atNs: bigint, data: Uint8Array): void => {
      records.writeMessage({ channelId, sequence, logTime: atNs, publishTime: atNs, data });
      messages++;
      counts.set(channelId, (counts.get(channelId) ?? 0n) + 1n);
      firstNs = firstNs === null || atNs < firstNs ? atNs : firstNs;
      if (atNs > lastNs) lastNs = atNs;
    },
    end: (): void => {
      records.writeDataEnd({ dataSectionCrc: 0 });
      const summaryStart = flushedBytes + BigInt(records.length);
      for (const channel of channels) records.writeChannel(channel);
      records.writeStatistics({
        messageCount: messages, schemaCount: 0, channelCount: channels.length, attachmentCount: 0, metadataCount: 0, chunkCount: 0,
        messageStartTime: firstNs ?? 0n, messageEndTime: lastNs, channelMessageCounts: counts,
      });
      records.writeFooter({ summaryStart, summaryOffsetStart: 0n, summaryCrc: 0 });
      records.writeMagic();
    },
    waiting: (): number => records.length,
    flush: async (): Promise<void> => {
      if (records.length === 0) return;
      // A copy: the builder uses its buffer again while this is being written.
      let bytes = records.buffer.slice();
      records.reset();
      flushedBytes += BigInt(bytes.byteLength);
      while (bytes.byteLength > 0) bytes = bytes.subarray((await file.write(bytes)).bytesWritten);
    },
  };
}
