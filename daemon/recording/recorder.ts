/** Writes the raw bytes of instruments, with their arrival times, as MCAP into a sink. See `recording-format.ts`. */
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import { createFileSink, type ByteSink } from './byte-sink.ts';
import {
  BYTES_ENCODING, BYTES_SCHEMA, connectionMetadata, markBytes, MARKS_SCHEMA, MARKS_TOPIC, toNanoseconds, type RecordedMark,
} from './recording-format.ts';
import { RecordingOutput } from './recording-output.ts';
import { TORQUE_SCHEMA, torqueMessages, type TorqueMessage } from './torque-messages.ts';

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
  /** Messages of torque, which are for viewers. */
  readonly droppedTorque: number;
}

/** What is known of a connection besides its bytes. */
export interface ConnectionStart {
  /** The recording begins in the midst of it: what was said before is not in it. Default false. */
  readonly isJoined?: boolean;
  /** A mark `state` follows. Default false. */
  readonly hasState?: boolean;
  /** Monotonic time of its first bytes, ms, where they came before the recording began. Default: they did not. */
  readonly fromMonoMs?: number | null;
  /** Joined, but the beginning of the connection is recorded first. Default false. */
  readonly hasHead?: boolean;
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
  /** Torque of a channel, for viewers. Never blocks and never throws. */
  torque(block: SampleBlock): void;
  counters(): RecorderCounters;
  /** Resolves when writing fails; nothing is written after. Never rejects. */
  readonly failed: Promise<TorsiondError>;
  /** Gives the recording up: it ends cut, at once, and `failed` resolves with the reason. */
  abandon(reason: TorsiondError): void;
  /** Writes what waits and the end of the recording. Idempotent. @throws TorsiondError why it failed */
  close(): Promise<void>;
}

type Waiting =
  | { readonly kind: 'channel'; readonly size: 0; readonly instrument: string; readonly channel: ChannelState; readonly metadata: Map<string, string> }
  | { readonly kind: 'chunk'; readonly size: number; readonly channel: ChannelState; readonly chunk: ByteChunk }
  | { readonly kind: 'mark'; readonly size: number; readonly atMs: number; readonly bytes: Uint8Array }
  | { readonly kind: 'torque'; readonly size: number; readonly channel: string; readonly messages: readonly TorqueMessage[] };

interface ChannelState {
  readonly start: ConnectionStart;
  readonly piece: number;
  /** The connection stands in the recording, or waits to. */
  isOpen: boolean;
  /** MCAP channel of the current piece; undefined until it is written. */
  id: number | undefined;
}

/** An MCAP chunk ends with so many bytes, or after a quarter of a second; in a long recording after a second, so that its index stays small. */
const CHUNK_BYTES = 262_144;
const CHUNK_MS = 250;
const LATER_CHUNK_MS = 1_000;
const EARLY_CHUNKS = 14_400;

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
  const logTime = (monoMs: number): bigint => startWallNs + (toNanoseconds(monoMs) - startMonoNs);

  const output = new RecordingOutput(sink);
  const counters = { chunks: 0, bytes: 0, droppedChunks: 0, droppedBytes: 0, droppedTorque: 0 };
  let queue: Waiting[] = [];
  let queuedBytes = 0;
  /** Written to the present MCAP chunk, which waits. */
  let unflushed = { chunks: 0, bytes: 0, size: 0 };
  let mcapChunks = 0;
  let isChunkOver = false;
  let cancelTimer: (() => void) | null = null;
  let marksId: number | undefined;
  const torqueIds = new Map<string, number>();
  let lostMarks = 0;
  let failure: TorsiondError | null = null;
  let announceFailure: (error: TorsiondError) => void = () => {};
  const failed = new Promise<TorsiondError>((resolve) => (announceFailure = resolve));
  let working: Promise<void> | null = null;
  let closing: Promise<void> | null = null;

  const fail = (thrown: unknown): void => {
    if (failure) return;
    failure = asTorsiondError(thrown, 'OUTPUT_FAILED');
    cancelTimer?.();
    for (const waiting of queue) drop(waiting);
    queue = [];
    queuedBytes = 0;
    sink.abandon(failure);
    announceFailure(failure);
  };
  const drop = (waiting: Waiting): void => {
    if (waiting.kind === 'mark') lostMarks++;
    else if (waiting.kind === 'torque') counters.droppedTorque += waiting.messages.length;
    else if (waiting.kind === 'chunk') {
      counters.droppedChunks++;
      counters.droppedBytes += waiting.size;
    }
  };

  const write = (waiting: Waiting): void => {
    unflushed.size += waiting.size;
    switch (waiting.kind) {
      case 'channel': {
        const topic = `${waiting.instrument}/bytes`;
        waiting.channel.id = output.channel({ topic, encoding: BYTES_ENCODING, schema: BYTES_SCHEMA, metadata: waiting.metadata });
        return;
      }
      case 'chunk':
        unflushed.chunks++;
        unflushed.bytes += waiting.size;
        return output.message(waiting.channel.id!, logTime(waiting.chunk.atMs), waiting.chunk.data);
      case 'mark':
        marksId ??= output.channel({ topic: MARKS_TOPIC, encoding: 'json', schema: MARKS_SCHEMA });
        return output.message(marksId, logTime(waiting.atMs), waiting.bytes);
      case 'torque': {
        const { channel, messages } = waiting;
        const id = torqueIds.get(channel) ?? output.channel({ topic: `${channel}/torque`, encoding: 'json', schema: TORQUE_SCHEMA, metadata: new Map([['unit', 'N.m']]) });
        torqueIds.set(channel, id);
        for (const { atMs, data } of messages) output.message(id, logTime(atMs), data);
      }
    }
  };

  const flush = async (): Promise<void> => {
    cancelTimer?.();
    cancelTimer = null;
    isChunkOver = false;
    if (output.waiting > 0) mcapChunks++;
    output.cut();
    const taken = unflushed;
    unflushed = { chunks: 0, bytes: 0, size: 0 };
    await output.flush();
    counters.chunks += taken.chunks;
    counters.bytes += taken.bytes;
    queuedBytes -= taken.size;
  };

  const work = async (): Promise<void> => {
    try {
      // `working` is set before it is over; and what comes at once goes together.
      await Promise.resolve();
      while ((queue.length > 0 || isChunkOver) && !failure) {
        const batch = queue;
        queue = [];
        for (const waiting of batch) {
          write(waiting);
          if (output.waiting >= CHUNK_BYTES) await flush();
        }
        if (isChunkOver) await flush();
      }
      if (output.waiting > 0 && !failure) cancelTimer ??= clock.after(mcapChunks < EARLY_CHUNKS ? CHUNK_MS : LATER_CHUNK_MS, endChunk);
    } catch (thrown) {
      fail(thrown);
    } finally {
      working = null;
    }
  };
  const endChunk = (): void => {
    cancelTimer = null;
    isChunkOver = true;
    working ??= work();
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
    cancelTimer?.();
    if (!failure) {
      try {
        await flush();
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
      let current: ChannelState = { start, piece: 0, isOpen: false, id: undefined };
      let isBroken = false;
      let marksBefore = lostMarks;
      const open = (): void => {
        if (current.isOpen) return;
        const { isJoined = false, hasState = false, fromMonoMs = null, hasHead = false, hasCommands = false } = current.start;
        const metadata = connectionMetadata({
          instrument, epoch, piece: current.piece, station: options.station, software: options.software,
          driverOrigin: options.driverOrigin?.(instrument.driver.id) ?? null, startWallMs, startMonoMs,
          wallOffsetMs: wallOffsetMs(), isJoined, hasState, fromMonoMs, hasHead, hasCommands,
        });
        // It counts for nothing: where there is no room for it there is none for the chunk behind it.
        current.isOpen = put({ kind: 'channel', size: 0, instrument: instrument.id, channel: current, metadata });
      };
      open();
      return {
        chunk: (chunk) => {
          if (isBroken || lostMarks !== marksBefore) {
            // Something is missing here: what follows is another piece, so that a replay never joins the two.
            const rest: ConnectionStart = { ...current.start, isJoined: true, hasState: false, fromMonoMs: null, hasHead: false };
            current = { piece: current.piece + 1, isOpen: false, id: undefined, start: rest };
            isBroken = false;
            marksBefore = lostMarks;
          }
          open();
          isBroken = !put({ kind: 'chunk', channel: current, chunk, size: chunk.data.byteLength });
        },
      };
    },
    mark: (mark) => {
      const bytes = markBytes(mark);
      put({ kind: 'mark', atMs: mark.kind === 'note' ? mark.note.atMs : clock.monoMs(), bytes, size: bytes.byteLength });
    },
    torque: (block) => {
      const messages = torqueMessages(block);
      put({ kind: 'torque', channel: block.channel, messages, size: messages.reduce((sum, { data }) => sum + data.byteLength, 0) });
    },
    counters: () => ({ ...counters }),
    failed,
    abandon: fail,
    close: () => (closing ??= finish()),
  };
}
