/** The framer that a layout needs. */
import { checksum } from '../framing/checksum.ts';
import { COBS } from '../framing/cobs.ts';
import { DelimitedFramer } from '../framing/delimited-framer.ts';
import type { FrameCheck, Framer } from '../framing/framer.ts';
import { SLIP } from '../framing/slip.ts';
import { SyncFramer, type FrameLength } from '../framing/sync-framer.ts';
import { hexBytes, tailBytes, type ByteOrder, type Layout } from './layout.ts';
import { numberBytes, numberReader } from './number-types.ts';

export function layoutFramer(layout: Layout): Framer {
  const { framing } = layout;
  const { check, checkBits } = frameCheck(layout);
  if (framing.kind === 'cobs' || framing.kind === 'slip') {
    return new DelimitedFramer({ code: framing.kind === 'cobs' ? COBS : SLIP, maxFrameBytes: framing.maxBytes, check });
  }
  if (framing.kind === 'fixed') return new SyncFramer({ sync: new Uint8Array(0), length: framing.length, check, checkBits });
  return new SyncFramer({ sync: hexBytes(framing.bytes), length: frameLength(layout, framing.length), check, checkBits });
}

/** Whether the end mark stands and the checksum agrees; null when there is neither. */
export function frameCheck(layout: Layout): { readonly check: FrameCheck | null; readonly checkBits: number } {
  const end = layout.framing.kind === 'sync' && layout.framing.end !== undefined ? hexBytes(layout.framing.end) : null;
  const sum = layout.checksum ? sumCheck(layout.checksum, layout.byteOrder) : null;
  if (end === null && sum === null) return { check: null, checkBits: 0 };
  const check: FrameCheck = (bytes, from, to) => {
    if (end !== null) {
      if (to - from < end.length) return false;
      for (let i = 0; i < end.length; i++) if (bytes[to - end.length + i] !== end[i]) return false;
    }
    return sum === null || sum(bytes, from, to);
  };
  return { check, checkBits: 8 * ((end?.length ?? 0) + (layout.checksum ? checksum(layout.checksum.name).bytes : 0)) };
}

function sumCheck(place: NonNullable<Layout['checksum']>, byteOrder: ByteOrder): FrameCheck {
  const { bytes: size, compute } = checksum(place.name);
  const { from: covered, after } = place;
  const isLittle = (place.byteOrder ?? byteOrder) === 'little';
  return (bytes, from, to) => {
    const at = to - after - size;
    if (at < from + covered) return false;
    let said = 0;
    for (let i = 0; i < size; i++) said = said * 256 + bytes[isLittle ? at + size - 1 - i : at + i]!;
    return said === compute(bytes, from + covered, at);
  };
}

function frameLength(layout: Layout, length: number | Extract<Extract<Layout['framing'], { kind: 'sync' }>['length'], object>): FrameLength {
  if (typeof length === 'number') return length;
  const { at, type, add, max } = length;
  const headBytes = at + numberBytes(type);
  const read = numberReader(type, length.byteOrder ?? layout.byteOrder);
  let view: DataView = new DataView(new ArrayBuffer(0));
  return {
    headBytes, max,
    // Frames of other kinds may be shorter than those with values.
    min: Math.min(max, headBytes + tailBytes(layout)),
    read: (bytes, start) => {
      if (view.buffer !== bytes.buffer) view = new DataView(bytes.buffer);
      return read(view, bytes.byteOffset + start + at) + add;
    },
  };
}
