/**
 * Checksums of the simulated frames, bit by bit from the parameters of the public CRC catalogue (width, poly, init, refin =
 * refout, xorout). Slow and plain on purpose: the gateway's are table-driven, and a mistake in one is not in the other.
 */
const CRCS = {
  'CRC-8/MAXIM-DOW': [8, 0x31, 0, true, 0],
  'CRC-8/SMBUS': [8, 0x07, 0, false, 0],
  'CRC-16/ARC': [16, 0x8005, 0, true, 0],
  'CRC-16/GENIBUS': [16, 0x1021, 0xffff, false, 0xffff],
  'CRC-16/IBM-3740': [16, 0x1021, 0xffff, false, 0],
  'CRC-16/IBM-SDLC': [16, 0x1021, 0xffff, true, 0xffff],
  'CRC-16/KERMIT': [16, 0x1021, 0, true, 0],
  'CRC-16/MAXIM-DOW': [16, 0x8005, 0, true, 0xffff],
  'CRC-16/MODBUS': [16, 0x8005, 0xffff, true, 0],
  'CRC-16/XMODEM': [16, 0x1021, 0, false, 0],
  'CRC-32/ISO-HDLC': [32, 0x04c11db7, 0xffffffff, true, 0xffffffff],
} as const;
export type CrcName = keyof typeof CRCS;
export const CRC_NAMES = Object.keys(CRCS) as [CrcName, ...CrcName[]];

export function crcBytes(name: CrcName): number {
  return CRCS[name][0] / 8;
}

/** Bits are fed one after the other, the highest of a byte first, or the lowest where the CRC is reflected. */
export function crcOf(name: CrcName, bytes: Uint8Array): number {
  const [width, poly, init, isReflected, xorOut] = CRCS[name];
  const top = 2 ** (width - 1);
  let register: number = init;
  for (const byte of bytes) {
    for (let i = 0; i < 8; i++) {
      const bit = (byte >> (isReflected ? i : 7 - i)) & 1;
      const isOut = (register >= top ? 1 : 0) !== bit;
      register = (register * 2) % 2 ** width;
      if (isOut) register = (register ^ poly) >>> 0;
    }
  }
  if (isReflected) {
    let mirrored = 0;
    for (let i = 0; i < width; i++) mirrored = mirrored * 2 + (Math.floor(register / 2 ** i) % 2);
    register = mirrored;
  }
  return (register ^ xorOut) >>> 0;
}
