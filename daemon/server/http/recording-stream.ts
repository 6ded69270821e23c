/** A recording as the answer to a client: bytes as they come, for as long as the client takes them. */
import { PassThrough, type Readable } from 'node:stream';
import { finished } from 'node:stream/promises';
import type { Clock } from '../../../shared/clock.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import type { ByteSink } from '../../recording/byte-sink.ts';
import type { Gateway } from '../gateway.ts';

/** A client that takes nothing for so long, ms, while bytes wait for it is cut off. */
export const RECORDING_STALL_MS = 15_000;
/** How often a token is looked at again, ms. */
const LOOK_MS = 2_000;
/** Bytes between the recorder and the connection. */
const BUFFER_BYTES = 65_536;

export interface RecordingStreamOptions {
  readonly gateway: Gateway;
  readonly clock: Clock;
  readonly instrument: string;
  /** Torque for viewers beside the bytes. */
  readonly hasTorque?: boolean;
  /** False once the client's token was revoked. */
  readonly stillHolds: () => boolean;
}

/**
 * Begins at once; ends when the client goes, properly when the gateway stops, and cut when the client is too slow or
 * its token is revoked.
 * @throws TorsiondError as `Gateway.record`
 */
export async function recordingStream(options: RecordingStreamOptions): Promise<Readable> {
  const { gateway, clock, instrument, hasTorque = false, stillHolds } = options;
  const stream = new PassThrough({ highWaterMark: BUFFER_BYTES });
  // The reason is told by the recorder; a client only sees its answer end.
  stream.on('error', () => {});
  const recording = await gateway.record(instrument, streamSink(stream, clock), { hasTorque });
  let cancelLook = (): void => {};
  const look = (): void => {
    if (stillHolds()) cancelLook = clock.after(LOOK_MS, look);
    else stream.destroy(new TorsiondError('ACCESS_TOKEN', 'the token was revoked'));
  };
  look();
  stream.once('close', () => {
    cancelLook();
    void recording.stop();
  });
  return stream;
}

function streamSink(stream: PassThrough, clock: Clock): ByteSink {
  const gone = new Promise<TorsiondError>((resolve) => {
    stream.once('close', () => resolve(stream.errored instanceof TorsiondError ? stream.errored : new TorsiondError('CLIENT_DISCONNECTED', 'the client left')));
  });
  /** A stream that is destroyed does not call back for what it was writing. */
  const unlessGone = async (taken: Promise<void>): Promise<void> => {
    const fault = await Promise.race([taken, gone]);
    if (fault) throw fault;
  };
  return {
    write: async (bytes) => {
      const cancel = clock.after(RECORDING_STALL_MS, () => stream.destroy(new TorsiondError('LIMIT_REACHED', `nothing was taken for ${RECORDING_STALL_MS / 1_000} s`)));
      try {
        await unlessGone(new Promise((resolve) => stream.write(bytes, (fault) => (fault ? undefined : resolve()))));
      } finally {
        cancel();
      }
    },
    // Not before the last byte has gone to the connection: it may be closed next.
    end: () => finished(stream.end()),
    abandon: (reason) => void stream.destroy(reason),
  };
}
