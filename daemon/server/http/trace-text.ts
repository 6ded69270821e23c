import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Trace } from '../../../shared/trace.ts';
import { torqueOf } from '../../conditioning/calibration.ts';

/** Numbers written per turn of the event loop: about a millisecond. */
const NUMBERS_PER_TURN = 4_096;

/**
 * A trace as JSON (`TraceAnswer`), in pieces: one of half a minute at 20 kS/s has more than a million numbers, and the
 * clients of the stream are not to wait for them.
 */
export async function* traceText(readingId: string, trace: Trace): AsyncGenerator<string> {
  const { conditioning } = trace.evidence;
  const head = {
    readingId, traceId: trace.id, channel: trace.channel, epoch: trace.epoch, firstIndex: trace.firstIndex,
    startAt: new Date(trace.startWallMs).toISOString(), spacingMs: trace.spacingMs, rateHz: trace.rateHz,
    unit: 'N.m', deviceUnit: conditioning.signal?.unit ?? conditioning.unit, evidence: trace.evidence,
  };
  yield `${JSON.stringify(head).slice(0, -1)},"torque":`;
  yield* numbers(torqueOf(trace.device, conditioning));
  yield ',"device":';
  yield* numbers(trace.device);
  yield ',"status":';
  if (trace.status === null) yield 'null';
  else yield* numbers(trace.status);
  yield '}';
}

async function* numbers(values: Float64Array | Uint8Array): AsyncGenerator<string> {
  yield '[';
  for (let at = 0; at < values.length; at += NUMBERS_PER_TURN) {
    const part = JSON.stringify(Array.from(values.subarray(at, at + NUMBERS_PER_TURN)));
    yield `${at === 0 ? '' : ','}${part.slice(1, -1)}`;
    await nextTurn();
  }
  yield ']';
}
