/** A structure that repeats in bytes that are no text. Pure. */

export interface BinaryShape {
  readonly frameBytes: number;
  readonly constantBytes: readonly { readonly offset: number; readonly value: number }[];
}

const LONGEST_FRAME = 256;
const FRAMES_MIN = 12;
const SAME_SHARE = 0.95;
const LOOKED_AT_BYTES = 8_192;

/** The shortest length at which a byte comes again and again; null: there is none. */
export function binaryShape(data: Uint8Array): BinaryShape | null {
  const bytes = data.subarray(0, LOOKED_AT_BYTES);
  for (let length = 2; length <= LONGEST_FRAME && length * FRAMES_MIN <= bytes.length; length++) {
    const constantBytes: { offset: number; value: number }[] = [];
    for (let offset = 0; offset < length; offset++) {
      const value = steadyByte(bytes, offset, length);
      if (value !== null) constantBytes.push({ offset, value });
    }
    if (constantBytes.length > 0) return { frameBytes: length, constantBytes };
  }
  return null;
}

/** The byte of the majority by one pass of voting, when it stands in nearly every frame. */
function steadyByte(bytes: Uint8Array, offset: number, length: number): number | null {
  let most = 0;
  let votes = 0;
  for (let i = offset; i < bytes.length; i += length) {
    if (votes === 0) most = bytes[i]!;
    votes += bytes[i] === most ? 1 : -1;
  }
  let count = 0;
  let same = 0;
  for (let i = offset; i < bytes.length; i += length, count++) if (bytes[i] === most) same++;
  return same >= count * SAME_SHARE ? most : null;
}
