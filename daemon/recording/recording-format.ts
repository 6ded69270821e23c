/**
 * How a recording lies in an MCAP file (open container format, https://mcap.dev/spec): profile `torsiond`, one MCAP
 * channel per connection of an instrument, one message per chunk of bytes as it arrived. MCAP chunks are short, not
 * compressed and have a checksum, so that a cut file loses little and no damaged byte is taken for torque.
 *
 * Message times are nanoseconds: wall time when the recording began plus the monotonic time since. The monotonic
 * origin stands in the channel's metadata, so a replay gives back the very doubles that the live run worked with.
 * Messages of one further channel are marks: what happened between the bytes before and those after.
 */
import * as z from 'zod';
import { CaptureSettings } from '../../shared/capture-settings.ts';
import type { AskNote } from '../../drivers/links/link.ts';
import { ERROR_TABLE, TorsiondError, type ErrorCode } from '../../shared/errors.ts';
import { TransducerSettings } from '../../shared/transducer.ts';
import { RecordedInstrument, type InstrumentSettings } from '../settings/schema.ts';
import { stateOf, stateText } from './exact-state.ts';

export const RECORDING_PROFILE = 'torsiond';
export const RECORDING_LAYOUT = '2';
/** Longest record that a reader accepts; recorded chunks are far smaller. */
export const LONGEST_RECORD_BYTES = 16_777_216;

/** Message encoding of bytes as an instrument sent them. */
export const BYTES_ENCODING = 'octets';
export const BYTES_SCHEMA = {
  name: 'torsiond.Bytes',
  text: JSON.stringify({
    title: 'Raw bytes', type: 'string', contentEncoding: 'binary',
    description: 'Bytes of an instrument as they arrived together, unchanged. The log time is their arrival. What they mean says the driver in the channel metadata "instrument".',
  }),
};

export const MARKS_TOPIC = 'torsiond/marks';
export const MARKS_SCHEMA = {
  name: 'torsiond.Mark',
  text: JSON.stringify({
    title: 'Mark', type: 'object', required: ['kind'],
    description: 'What happened between the bytes before and those after, where it changes what a replay makes of them.',
    properties: { kind: { enum: ['gap', 'wall', 'command', 'configure', 'note', 'state', 'capture'] } },
  }),
};

/** `AskNote` of `drivers/links/link.ts`, bytes in hexadecimal. */
const RecordedNote = z.discriminatedUnion('kind', [
  z.object({ kind: z.literal('asked'), atMs: z.number(), step: z.number().int().min(0).nullable(), bytes: z.string().regex(/^(?:[0-9a-f]{2})*$/) }),
  z.object({ kind: z.literal('failed'), atMs: z.number(), code: z.enum(Object.keys(ERROR_TABLE) as [ErrorCode, ...ErrorCode[]]), message: z.string() }),
  z.object({ kind: z.literal('missed'), atMs: z.number(), rounds: z.number().int().min(1) }),
  z.object({ kind: z.literal('rested'), atMs: z.number(), step: z.number().int().min(0) }),
]);

/** What happened beside the bytes, where it changes what becomes of them. */
export const RecordedMark = z.discriminatedUnion('kind', [
  z.object({ kind: z.literal('gap'), instrument: z.string(), reason: z.enum(['lost', 'silence', 'stopped']) }),
  z.object({
    kind: z.literal('wall'), fromMs: z.number().describe('Monotonic time.'), offsetMs: z.number().describe('Wall time minus monotonic time.'),
    isJump: z.boolean().describe('Times before keep the offset they had.'),
  }),
  z.object({ kind: z.literal('command'), channel: z.string(), command: z.enum(['arm', 'hold', 'zero', 'latch']), zeroCheck: z.literal(true).optional() }),
  z.object({ kind: z.literal('configure'), channel: z.string(), settings: CaptureSettings }),
  z.object({ kind: z.literal('note'), instrument: z.string(), epoch: z.number().int().min(0), note: RecordedNote }),
  z.object({
    kind: z.literal('state'), instrument: z.string(), epoch: z.number().int().min(0), channels: z.array(z.object({
      settings: CaptureSettings, transducer: TransducerSettings,
      pipeline: z.unknown().describe('PipelineState; its parts are compared with those of the version that reads.'),
    })),
    source: z.unknown().describe('SampleSourceState, or null before the first sample of the connection.'), wall: z.unknown().describe('WallMapState.'),
  }),
  z.object({ kind: z.literal('capture'), channel: z.string(), state: z.unknown().describe('IdleState.') }),
]);
export type RecordedMark = z.infer<typeof RecordedMark>;

/** One connection of one instrument; what replay needs to make readings of its bytes again. */
export interface RecordedConnection {
  readonly instrument: InstrumentSettings;
  readonly epoch: number;
  /** 0, or counts the pieces of a connection from which the recorder had to leave bytes out. */
  readonly piece: number;
  readonly station: string;
  readonly software: string;
  /** Name and version of the package its driver came from; null when it was a built-in one. */
  readonly driverOrigin: string | null;
  /** Wall time, ms since 1970, and monotonic time, ms, of one moment: the beginning of the recording. */
  readonly startWallMs: number;
  readonly startMonoMs: number;
  /** Wall time minus monotonic time, ms, when its first bytes came: the very double that the live run used. */
  readonly wallOffsetMs: number;
  /** The recording begins in the midst of the connection: what the instrument said of itself came before. */
  readonly isJoined: boolean;
  /** A mark `state` follows: what comes before it is for the driver alone, so that it is in step. */
  readonly hasState: boolean;
  /** Monotonic time of its first bytes here, ms, where that is before the beginning of the recording. */
  readonly fromMonoMs: number | null;
  /** Joined, but what the instrument said at the start of the connection stands here too. */
  readonly hasHead: boolean;
  /** What people did at the channels is recorded too. */
  readonly hasCommands: boolean;
}

export const toNanoseconds = (milliseconds: number): bigint => BigInt(Math.round(milliseconds * 1e6));
export const toMilliseconds = (nanoseconds: bigint): number => Number(nanoseconds) / 1e6;

const Metadata = z.object({
  layout: z.string(),
  instrument: z.string(),
  epoch: z.coerce.number().int().min(0),
  piece: z.coerce.number().int().min(0),
  station: z.string(),
  software: z.string(),
  driverOrigin: z.string().optional(),
  startWallNs: z.string().regex(/^\d+$/),
  startMonoNs: z.string().regex(/^\d+$/),
  wallOffsetMs: z.coerce.number(),
  joined: z.enum(['true', 'false']),
  commands: z.enum(['true', 'false']),
  state: z.enum(['true', 'false']),
  fromMonoMs: z.coerce.number().optional(),
  head: z.enum(['true', 'false']),
});

export function connectionMetadata(connection: RecordedConnection): Map<string, string> {
  return new Map([
    ['layout', RECORDING_LAYOUT],
    ['instrument', JSON.stringify(connection.instrument)],
    ['epoch', String(connection.epoch)],
    ['piece', String(connection.piece)],
    ['station', connection.station],
    ['software', connection.software],
    ...(connection.driverOrigin === null ? [] : [['driverOrigin', connection.driverOrigin] as const]),
    ['startWallNs', String(toNanoseconds(connection.startWallMs))],
    ['startMonoNs', String(toNanoseconds(connection.startMonoMs))],
    ['wallOffsetMs', String(connection.wallOffsetMs)],
    ['joined', String(connection.isJoined)],
    ['commands', String(connection.hasCommands)],
    ['state', String(connection.hasState)],
    ...(connection.fromMonoMs === null ? [] : [['fromMonoMs', String(connection.fromMonoMs)] as const]),
    ['head', String(connection.hasHead)],
  ]);
}

/** @throws TorsiondError INPUT_FORMAT */
export function readConnection(metadata: ReadonlyMap<string, string>, where: string): RecordedConnection {
  const facts = Metadata.safeParse(Object.fromEntries(metadata));
  if (!facts.success) throw new TorsiondError('INPUT_FORMAT', `this is no recording of torsiond: ${facts.error.issues[0]!.path.join('.')} is missing or wrong`, { where });
  if (facts.data.layout !== RECORDING_LAYOUT) {
    throw new TorsiondError('INPUT_FORMAT', `the recording has layout ${facts.data.layout}, made by ${facts.data.software}; this version reads layout ${RECORDING_LAYOUT}`, { where });
  }
  let instrument: unknown;
  try {
    instrument = JSON.parse(facts.data.instrument);
  } catch {
    instrument = null;
  }
  const settings = RecordedInstrument.safeParse(instrument);
  if (!settings.success) {
    const issue = settings.error.issues[0]!;
    throw new TorsiondError('INPUT_FORMAT', `the instrument settings in the recording, made by ${facts.data.software}, do not fit this version: ${issue.path.join('.')} ${issue.message}`, { where });
  }
  return {
    instrument: settings.data,
    epoch: facts.data.epoch,
    piece: facts.data.piece,
    station: facts.data.station,
    software: facts.data.software,
    driverOrigin: facts.data.driverOrigin ?? null,
    startWallMs: toMilliseconds(BigInt(facts.data.startWallNs)),
    startMonoMs: toMilliseconds(BigInt(facts.data.startMonoNs)),
    wallOffsetMs: facts.data.wallOffsetMs,
    isJoined: facts.data.joined === 'true',
    hasState: facts.data.state === 'true',
    fromMonoMs: facts.data.fromMonoMs ?? null,
    hasHead: facts.data.head === 'true',
    hasCommands: facts.data.commands === 'true',
  };
}

export function markBytes(mark: RecordedMark): Uint8Array {
  return new TextEncoder().encode(stateText(mark));
}

/** @throws TorsiondError INPUT_FORMAT */
export function readMark(bytes: Uint8Array, where: string): RecordedMark {
  try {
    return RecordedMark.parse(stateOf(new TextDecoder().decode(bytes)));
  } catch (cause) {
    throw new TorsiondError('INPUT_FORMAT', 'a mark in the recording does not fit this version', { where, cause });
  }
}

export function noteMark(instrument: string, epoch: number, note: AskNote): RecordedMark {
  return { kind: 'note', instrument, epoch, note: note.kind === 'asked' ? { ...note, bytes: Buffer.from(note.bytes).toString('hex') } : note };
}

export function markedNote({ note }: Extract<RecordedMark, { kind: 'note' }>): AskNote {
  return note.kind === 'asked' ? { ...note, bytes: Uint8Array.from(Buffer.from(note.bytes, 'hex')) } : note;
}
