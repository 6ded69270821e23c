/**
 * Consistent overhead byte stuffing (Cheshire and Baker, 1999): a frame holds no zero byte and ends with one. Each block
 * begins with its length; a block that is not full stands for its bytes and a zero. Some encoders put an empty block
 * (01) behind a full one at the end of a frame, which means the same.
 */
import type { FrameCode } from './delimited-framer.ts';

const FULL = 0xff;

export const COBS: FrameCode = {
  delimiter: 0,
  maxEncoded: (bytes) => bytes + 2 + Math.floor(bytes / 254),
  decode: (bytes, start, end, out, at) => {
    let to = at;
    for (let from = start; from < end;) {
      const code = bytes[from]!;
      const next = from + code;
      if (code === 0 || next > end) return -1;
      for (let i = from + 1; i < next; i++) out[to++] = bytes[i]!;
      if (code !== FULL && next < end) out[to++] = 0;
      from = next;
    }
    return to;
  },
};
