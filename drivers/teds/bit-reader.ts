/** Fields of any width out of bytes: bits least significant first, from bit 0 of byte 0, as IEEE 1451.4 packs them. */
export class BitReader {
  readonly #bytes: Uint8Array;
  readonly #onEnd: (bit: number) => Error;
  #at = 0;

  /** @param onEnd what to throw when bits are wanted that are not there */
  constructor(bytes: Uint8Array, onEnd: (bit: number) => Error) {
    this.#bytes = bytes;
    this.#onEnd = onEnd;
  }

  /** Bits read so far. */
  get at(): number {
    return this.#at;
  }

  has(bits: number): boolean {
    return this.#at + bits <= 8 * this.#bytes.length;
  }

  /** @param bits 0 to 32. @returns unsigned */
  take(bits: number): number {
    if (!this.has(bits)) throw this.#onEnd(8 * this.#bytes.length);
    let value = 0;
    for (let i = 0; i < bits; i++, this.#at++) {
      if ((this.#bytes[this.#at >>> 3]! >>> (this.#at & 7)) & 1) value += 2 ** i;
    }
    return value;
  }

  /** IEEE 754 single, 32 bits. */
  single(): number {
    const view = new DataView(new ArrayBuffer(4));
    view.setUint32(0, this.take(32));
    return view.getFloat32(0);
  }

  /** Letters of five bits each: 0 a space, 1 to 26 A to Z; null when another number stands there. */
  letters(count: number): string | null {
    let text = '';
    let isKnown = true;
    for (let i = 0; i < count; i++) {
      const code = this.take(5);
      if (code > 26) isKnown = false;
      text += code === 0 ? ' ' : String.fromCharCode(0x40 + code);
    }
    return isKnown ? text : null;
  }
}
