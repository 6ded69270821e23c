/** Bytes that are no text to a proposal for `framed-binary`, where a checksum or a counter proves the frames. Pure. */
import { frameShape, type FrameShape } from './frame-shape.ts';
import { frameValues, type FrameValues } from './frame-values.ts';
import type { FramesAnalysis, HeardBytes } from './heard.ts';
import { endRate, roundRate } from './rates.ts';

const CHANNELS_IN_TURN_MOST = 8;
/** How sure frames are: by checksum and counter, by the checksum, by the counter alone. */
const SURENESS = { both: 0.9, checksum: 0.85, counter: 0.65 };

export function framesAnalysis(heard: HeardBytes): FramesAnalysis | null {
  const shape = frameShape(heard.data);
  if (shape === null) return null;
  const { framing, length, frames, checksum: sum, counter } = shape;
  const head = framing.kind === 'sync' ? framing.sync.length : 0;
  const turn = channelInTurn(shape, head);
  const taken = [...Array.from({ length: head }, (_, i) => i), ...(turn === null ? [] : [turn.at]), ...(counter === null ? [] : bytesOf(counter))];
  const [from, to] = longestFree(taken, length - (sum?.bytes ?? 0));
  const kept = turn === null ? frames : frames.filter((frame) => frame[turn.at] === 0);
  const values = to > from ? frameValues(kept, from, to) : null;
  if (values === null) return null;
  const channels = turn?.count ?? values.places.length;
  const measured = endRate(heard, shape.ends);
  const perChannel = measured === null || turn === null ? measured : { hz: measured.hz / turn.count, count: Math.floor(measured.count / turn.count) };
  const isFloat = values.type.startsWith('f');
  const sampleRateHz = perChannel === null ? null : roundRate(perChannel);
  const proof = sum === null ? 'counter' : counter === null ? 'checksum' : 'both';
  const sureness = SURENESS[proof] - (isFloat ? 0 : 0.1) - (values.isMoving ? 0 : 0.2);
  return {
    kind: 'frames', sureness: Math.round(sureness * 100) / 100,
    reasons: reasonsOf(shape, head),
    doubts: doubtsOf(shape, values, turn, sampleRateHz, perChannel?.hz ?? null),
    options: {
      framing: framing.kind === 'sync' ? { kind: 'sync', bytes: hex(framing.sync), length } : { kind: framing.kind, maxBytes: length },
      byteOrder: values.byteOrder,
      ...(counter === null ? {} : { counter: { at: counter.at, type: counter.type, ...(counter.type === 'u16' && counter.byteOrder !== values.byteOrder ? { byteOrder: counter.byteOrder } : {}) } }),
      channels: turn === null ? values.places.map((at) => ({ at, type: values.type })) : [{ at: values.places[0]!, type: values.type }],
      ...(turn === null ? {} : { frameChannel: { at: turn.at, numbers: Array.from({ length: turn.count }, (_, i) => i) } }),
      ...(sum === null ? {} : { checksum: { name: sum.name, ...(sum.bytes > 1 && sum.byteOrder !== values.byteOrder ? { byteOrder: sum.byteOrder } : {}), ...(sum.from > 0 ? { from: sum.from } : {}) } }),
    },
    units: new Array<null>(channels).fill(null),
    measuredRateHz: perChannel?.hz ?? null, sampleRateHz,
    example: hex(frames.at(-1)!), largest: values.largest,
  };
}

function reasonsOf({ framing, length, frames, checksum: sum, counter }: FrameShape, head: number): string[] {
  const told = framing.kind === 'sync' ? `begin with ${hex(framing.sync)} and have ${length} bytes` : `are coded by ${framing.kind.toUpperCase()} and have ${length} bytes when decoded`;
  return [
    `${frames.length} frames were heard, which ${told}`,
    ...(sum === null ? [] : [`${sum.name} over ${sum.from === 0 ? 'all' : `what follows the first ${sum.from === head ? 'sync ' : ''}bytes, ${sum.from},`} before it is right${sum.bytes === 1 ? '' : `, ${sum.byteOrder === 'little' ? 'low' : 'high'} byte first`}`]),
    ...(counter === null ? [] : [`a counter (${counter.type}) stands at byte ${counter.at}`]),
  ];
}

function doubtsOf({ checksum: sum, counter, framing }: FrameShape, { type, byteOrder, left, isMoving }: FrameValues, turn: Turn | null, sampleRateHz: number | null, hz: number | null): string[] {
  const order = byteOrder === 'little' ? 'low' : 'high';
  return [
    `that the values are ${type}, ${order} byte first, is a guess from how they move; the manual must say it`,
    ...(type.startsWith('f') ? ['the frames do not name the unit, which must be filled in'] : ['one step of a whole number is not in the bytes: scale must be filled in, and counts of a bridge amplifier are for the driver raw-counts']),
    ...(isMoving ? [] : ['no value changed; turn the transducer while probing']),
    ...(sum === null ? [`no checksum of those that are known is right${framing.kind === 'sync' ? ', so where a frame begins is a guess too' : ''}`] : []),
    ...(counter === null ? ['no counter was found: lost frames show by the checksum and by time alone'] : []),
    ...(turn === null ? [] : [`byte ${turn.at} goes round from 0 to ${turn.count - 1} and is taken for the number of the channel`]),
    ...(left.length === 0 ? [] : [`byte ${left.join(' and ')} may be a status; what its bits mean is for the manual`]),
    ...(sampleRateHz !== null ? [] : [hz === null ? 'the sample rate could not be measured; it is left out and measured by the gateway' : `about ${hz.toPrecision(3)} samples per second, too few of them or no round number; the rate is left out and measured by the gateway`]),
  ];
}

interface Turn { readonly at: number; readonly count: number }

/** A byte that goes 0, 1 … and round again, one step a frame. */
function channelInTurn({ frames, length, checksum: sum, counter }: FrameShape, head: number): Turn | null {
  for (let at = head; at < length - (sum?.bytes ?? 0); at++) {
    if (counter !== null && bytesOf(counter).includes(at)) continue;
    const count = frames.reduce((most, frame) => Math.max(most, frame[at]!), 0) + 1;
    if (count < 2 || count > CHANNELS_IN_TURN_MOST) continue;
    const steps = frames.slice(1).filter((frame, i) => frame[at] === (frames[i]![at]! + 1) % count).length;
    if (steps >= (frames.length - 1) * 0.95) return { at, count };
  }
  return null;
}

function bytesOf(counter: NonNullable<FrameShape['counter']>): number[] {
  return counter.type === 'u8' ? [counter.at] : [counter.at, counter.at + 1];
}

/** The longest stretch of the frame that nothing known stands in. */
function longestFree(taken: readonly number[], end: number): [number, number] {
  let best: [number, number] = [0, 0];
  let from = 0;
  for (let at = 0; at <= end; at++) {
    if (at < end && !taken.includes(at)) continue;
    if (at - from > best[1] - best[0]) best = [from, at];
    from = at + 1;
  }
  return best;
}

function hex(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, '0')).join(' ');
}
