/** Serial line framing after RFC 1055 (1988): END closes a frame; END and ESC inside it are written as two bytes. */
import type { FrameCode } from './delimited-framer.ts';

const END = 0xc0;
const ESC = 0xdb;
const ESC_END = 0xdc;
const ESC_ESC = 0xdd;

export const SLIP: FrameCode = {
  delimiter: END,
  maxEncoded: (bytes) => 2 * bytes,
  decode: (bytes, start, end, out, at) => {
    let to = at;
    for (let i = start; i < end; i++) {
      const byte = bytes[i]!;
      if (byte !== ESC) {
        out[to++] = byte;
        continue;
      }
      const escaped = bytes[++i];
      // Anything else behind ESC is no code of the RFC; its reference implementation lets it pass, a measured value must not.
      if (i === end || (escaped !== ESC_END && escaped !== ESC_ESC)) return -1;
      out[to++] = escaped === ESC_END ? END : ESC;
    }
    return to;
  },
};
