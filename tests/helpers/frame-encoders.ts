/** Encoders of framings, from the descriptions of the codes and independent of the product's decoders. */

/** With its delimiter. */
export function encodeCobs(raw: Uint8Array): Buffer {
  const out: number[] = [];
  let block: number[] = [];
  let isFullLast = false;
  const close = (): void => {
    out.push(block.length + 1, ...block);
    block = [];
  };
  for (const byte of raw) {
    isFullLast = false;
    if (byte === 0) {
      close();
    } else if (block.push(byte) === 254) {
      close();
      isFullLast = true;
    }
  }
  if (!isFullLast) close();
  return Buffer.from([...out, 0]);
}

/** With its delimiter behind it only. */
export function encodeSlip(raw: Uint8Array): Buffer {
  return Buffer.from([...[...raw].flatMap((byte) => (byte === 0xc0 ? [0xdb, 0xdc] : byte === 0xdb ? [0xdb, 0xdd] : [byte])), 0xc0]);
}
