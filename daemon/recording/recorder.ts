/** Writes the raw bytes of instruments, with their arrival times, as MCAP into a sink. See `recording-format.ts`. */
import { McapRecordBuilder, type McapTypes } from '@mcap/core';
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import { createFileSink, type ByteSink } from './byte-sink.ts';
import { connectionMetadata, MARK_RECORD, markMetadata, RECORDING_PROFILE, toNanoseconds, type RecordedMark } from './recording-format.ts';

export interface RecorderOptions {
  readonly station: string;
  /** Name and version of what records. */
  readonly software: string;
  /** Where a driver from outside comes from, for whoever wants to replay it; null for a built-in one. Left out: there is none. */
  readonly driverOrigin?: (id: string) => string | null;
  readonly clock: Clock;
  /** Wall time minus monotonic time, ms, as the readings of the live run get it now. Default: by the clock, once. */
  readonly wallOffsetMs?: () => number;
  /** Most bytes that wait for the sink. Default 8 MiB. */
  readonly queueBytes?: number;
  /** Beyond that, chunks are left out, counted and marked in the recording (the default), or the recording ends. */
  readonly overflow?: 'leave-out' | 'fail';
}

/** All only grow. Chunks count once the sink has taken them. */
export interface RecorderCounters {
  readonly chunks: number;
  readonly bytes: number;
  readonly droppedChunks: number;
  readonly droppedBytes: number;
}

/** What is known of a connection besides its bytes. */
export interface ConnectionStart {
  /** The recording begins in the midst of it: what was said before is not in it. Default false. */
  readonly isJoined?: boolean;
  /** Zero of each channel when the recording of it begins, N.m. Default: 0, or the fixed one. */
  readonly zeros?: readonly number[];
  /** What people do at the channels is in the recording too. Default false. */
  readonly hasCommands?: boolean;
}

export interface ConnectionRecorder {
  /** Never blocks and never throws. Chunks of one connection must come in order of time. Keeps the bytes as they are. */
  chunk(chunk: ByteChunk): void;
}

export interface Recorder {
  /** A new connection of an instrument. */
  connection(instrument: InstrumentSettings, epoch: number, start?: ConnectionStart): ConnectionRecorder;
  /** What happened between the chunks before and those after. Never blocks and never throws. */
  mark(mark: RecordedMark): void;
  counters(): RecorderCounters;
  /** Resolves when writing fails; nothing is written after. Never rejects. */
  readonly failed: Promise<TorsiondError>;
  /** Gives the recording up: it ends cut, at once, and `failed` resolves with the reason. */
  abandon(reason: TorsiondError): void;
  /** Writes what waits and the end of the recording. Idempotent. @throws TorsiondError why it failed */
  close(): Promise<void>;
}

type Waiting = {
  readonly size: number;
} & ({ readonly kind: 'mark'; readonly metadata: Map<string, string> } | { readonly kind: 'chunk'; readonly channel: ChannelState; readonly chunk: ByteChunk });

interface ChannelState {
  readonly instrument: InstrumentSettings;
  readonly epoch: number;
  readonly start: ConnectionStart;
  readonly piece: number;
  /** What stands in the file before its first message; taken when that comes, so that marks before it are counted in. */
  metadata: Map<string, string> | null;
  /** MCAP channel of the current piece; undefined until its first message is written. */
  id: number | undefined;
  sequence: number;
}

const WRITE_AT_ONCE_BYTES = 65_536;

/**
 * @param target where the recording goes; a text is the path of a file that must not exist
 * @throws TorsiondError OUTPUT_FAILED when the file exists already or cannot be made, or what the sink says
 */
export async function createRecorder(target: string | ByteSink, options: RecorderOptions): Promise<Recorder> {
  const { clock } = options;
  const sink = typeof target === 'string' ? await createFileSink(target, clock) : target;
  const queueLimit = options.queueBytes ?? 8_388_608;
  const startMonoMs = clock.monoMs();
  const offsetMs = clock.wallMs() - startMonoMs;
  const wallOffsetMs = options.wallOffsetMs ?? ((): number => offsetMs);
  const startMonoNs = toNanoseconds(startMonoMs);
  const startWallMs = startMonoMs + wallOffsetMs();
  const startWallNs = toNanoseconds(startWallMs);

  const output = mcapOutput(sink);
  const counters = { chunks: 0, bytes: 0, droppedChunks: 0, droppedBytes: 0 };
  let queue: Waiting[] = [];
  let queuedBytes = 0;
  let lostMarks = 0;
  let failure: TorsiondError | null = null;
  let announceFailure: (error: TorsiondError) => void = () => {};
  const failed = new Promise<TorsiondError>((resolve) => (announceFailure = resolve));
  let working: Promise<void> | null = null;
  let closing: Promise<void> | null = null;

  const fail = (thrown: unknown): void => {
    if (failure) return;
    failure = asTorsiondError(thrown, 'OUTPUT_FAILED');
    for (const waiting of queue) drop(waiting);
    queue = [];
    queuedBytes = 0;
    sink.abandon(failure);
    announceFailure(failure);
  };
  const drop = (waiting: Waiting): void => {
    if (waiting.kind === 'mark') {
      lostMarks++;
      return;
    }
    counters.droppedChunks++;
    counters.droppedBytes += waiting.size;
  };

  const write = (waiting: Waiting): void => {
    if (waiting.kind === 'mark') return output.mark(waiting.metadata);
    const { channel, chunk } = waiting;
    channel.id ??= output.channel(`${channel.instrument.id}/bytes`, channel.metadata!);
    channel.metadata = null;
    output.message(channel.id, channel.sequence++, startWallNs + (toNanoseconds(chunk.atMs) - startMonoNs), chunk.data);
  };

  const work = async (): Promise<void> => {
    try {
      while (queue.length > 0 && !failure) {
        const batch = queue;
        queue = [];
        let unflushed = { chunks: 0, bytes: 0, size: 0 };
        for (const waiting of batch) {
          write(waiting);
          if (waiting.kind === 'chunk') {
            unflushed.chunks++;
            unflushed.bytes += waiting.size;
          }
          unflushed.size += waiting.size;
          if (output.waiting() < WRITE_AT_ONCE_BYTES && waiting !== batch.at(-1)) continue;
          await output.flush();
          counters.chunks += unflushed.chunks;
          counters.bytes += unflushed.bytes;
          queuedBytes -= unflushed.size;
          unflushed = { chunks: 0, bytes: 0, size: 0 };
        }
      }
    } catch (thrown) {
      fail(thrown);
    } finally {
      working = null;
    }
  };
  /** @returns false when it was left out */
  const put = (waiting: Waiting): boolean => {
    const isTooMuch = queuedBytes + waiting.size > queueLimit;
    if (failure || closing || isTooMuch) {
      drop(waiting);
      if (isTooMuch && options.overflow === 'fail') fail(new TorsiondError('LIMIT_REACHED', `more than ${queueLimit} bytes wait to be taken`));
      return false;
    }
    queue.push(waiting);
    queuedBytes += waiting.size;
    working ??= work();
    return true;
  };

  try {
    output.begin(options.software);
    await output.flush();
  } catch (thrown) {
    const error = asTorsiondError(thrown, 'OUTPUT_FAILED');
    sink.abandon(error);
    throw error;
  }

  const finish = async (): Promise<void> => {
    while (working) await working;
    if (!failure) {
      try {
        output.end();
        await output.flush();
        await sink.end();
      } catch (thrown) {
        fail(thrown);
      }
    }
    if (failure) throw failure;
  };

  return {
    connection: (instrument, epoch, start = {}) => {
      let current: ChannelState = { instrument, epoch, start, piece: 0, metadata: null, id: undefined, sequence: 0 };
      let isBroken = false;
      let marksBefore = lostMarks;
      return {
        chunk: (chunk) => {
          if (isBroken || lostMarks !== marksBefore) {
            // Something is missing here: what follows is another piece, so that a replay never joins the two.
            current = { ...current, piece: current.piece + 1, metadata: null, id: undefined, sequence: 0, start: { ...current.start, isJoined: true } };
            isBroken = false;
            marksBefore = lostMarks;
          }
          if (current.id === undefined) {
            current.metadata ??= connectionMetadata({
              instrument, epoch, piece: current.piece, station: options.station, software: options.software,
              driverOrigin: options.driverOrigin?.(instrument.driver.id) ?? null, startWallMs, startMonoMs,
              wallOffsetMs: wallOffsetMs(), isJoined: current.start.isJoined ?? false, zeros: current.start.zeros ?? null, hasCommands: current.start.hasCommands ?? false,
            });
          }
          isBroken = !put({ kind: 'chunk', channel: current, chunk, size: chunk.data.byteLength });
        },
      };
    },
    mark: (mark) => {
      const metadata = markMetadata(mark);
      put({ kind: 'mark', metadata, size: [...metadata.values()].join('').length });
    },
    counters: () => ({ ...counters }),
    failed,
    abandon: fail,
    close: () => (closing ??= finish()),
  };
}

/**
 * MCAP records into a sink. The library's own writer, told not to chunk, keeps every message in memory until the end;
 * so the records are laid out here, one by one, and leave with the next `flush`.
 */
function mcapOutput(sink: ByteSink) {
  const records = new McapRecordBuilder();
  const channels: McapTypes.Channel[] = [];
  const counts = new Map<number, bigint>();
  let flushedBytes = 0n;
  let messages = 0n;
  let marks = 0;
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
    mark: (metadata: Map<string, string>): void => {
      records.writeMetadata({ name: MARK_RECORD, metadata });
      marks++;
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
        messageCount: messages, schemaCount: 0, channelCount: channels.length, attachmentCount: 0, metadataCount: marks, chunkCount: 0,
        messageStartTime: firstNs ?? 0n, messageEndTime: lastNs, channelMessageCounts: counts,
      });
      records.writeFooter({ summaryStart, summaryOffsetStart: 0n, summaryCrc: 0 });
      records.writeMagic();
    },
    waiting: (): number => records.length,
    flush: async (): Promise<void> => {
      if (records.length === 0) return;
      // A copy: the builder uses its buffer again while this is being written.
      const bytes = records.buffer.slice();
      records.reset();
      flushedBytes += BigInt(bytes.byteLength);
      await sink.write(bytes);
    },
  };
}
