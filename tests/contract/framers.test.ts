import { describe, it } from 'vitest';
import { checksum } from '../../drivers/framing/checksum.ts';
import { COBS } from '../../drivers/framing/cobs.ts';
import { DelimitedFramer } from '../../drivers/framing/delimited-framer.ts';
import type { FrameCheck } from '../../drivers/framing/framer.ts';
import { LineFramer } from '../../drivers/framing/line-framer.ts';
import { SLIP } from '../../drivers/framing/slip.ts';
import { SyncFramer } from '../../drivers/framing/sync-framer.ts';
import { encodeCobs, encodeSlip } from '../helpers/frame-encoders.ts';
import { describeClauses, framerClauses } from '../../drivers/conformance/index.ts';

describe.each([['LF', '\n'], ['CR LF', '\r\n']])('the line framer with %s', (_, delimiter) => {
  describeClauses('its promises', framerClauses({
    create: () => new LineFramer({ delimiter: Buffer.from(delimiter), maxLineBytes: 64 }),
    encode: (n) => Buffer.from(`${(n * 1.0625 - 40).toFixed(4)},${n}${delimiter}`),
    resync: Buffer.from(delimiter),
  }), { describe, it });
});

const crc = checksum('CRC-16/MODBUS');
const check: FrameCheck = (data, start, end) => end - start > 2 && crc.compute(data, start, end - 2) === (data[end - 2]! | (data[end - 1]! << 8));
const sealed = (...body: number[]): number[] => {
  const value = crc.compute(Uint8Array.from(body), 0, body.length);
  return [...body, value & 0xff, value >>> 8];
};
const none = new Uint8Array(0);

describe('the framer of frames with sync bytes and a length', () => {
  describeClauses('its promises', framerClauses({
    create: () => new SyncFramer({
      sync: Uint8Array.of(0x7e, 0x81), length: { read: (data, start) => data[start + 2]!, headBytes: 3, min: 6, max: 10 }, check, checkBits: 16,
    }),
    encode: (n) => Uint8Array.from(sealed(0x7e, 0x81, 8, n & 0xff, n >>> 8, 1)),
    resync: none,
  }), { describe, it });
});

describe('the framer of frames of one length', () => {
  describeClauses('its promises', framerClauses({
    create: () => new SyncFramer({ sync: Uint8Array.of(0x7e), length: 6, check, checkBits: 16 }),
    encode: (n) => Uint8Array.from(sealed(0x7e, n & 0xff, n >>> 8, 1)),
    resync: none,
  }), { describe, it });
});

describe('the framer for COBS', () => {
  describeClauses('its promises', framerClauses({
    create: () => new DelimitedFramer({ code: COBS, maxFrameBytes: 32, check }),
    encode: (n) => encodeCobs(Uint8Array.from(sealed(n & 0xff, n >>> 8, 9))),
    resync: Uint8Array.of(0),
  }), { describe, it });
});

describe('the framer for SLIP', () => {
  describeClauses('its promises', framerClauses({
    create: () => new DelimitedFramer({ code: SLIP, maxFrameBytes: 32, check }),
    encode: (n) => encodeSlip(Uint8Array.from(sealed(n & 0xff, n >>> 8, 0xdb))),
    resync: Uint8Array.of(0xc0),
  }), { describe, it });
});
