/** Writes data sheets field by field, from the table of fields in tests/vectors/teds.json; the product only reads them. */
export class BitWriter {
  readonly bits: number[] = [];

  put(value: number, width: number): this {
    for (let i = 0; i < width; i++) this.bits.push(Math.floor(value / 2 ** i) % 2);
    return this;
  }

  single(value: number): this {
    const view = new DataView(new ArrayBuffer(4));
    view.setFloat32(0, value);
    return this.put(view.getUint32(0), 32);
  }

  letters(text: string): this {
    for (const letter of text) this.put(letter === ' ' ? 0 : letter.charCodeAt(0) - 0x40, 5);
    return this;
  }

  bytes(): Uint8Array {
    const out = new Uint8Array(Math.ceil(this.bits.length / 8));
    this.bits.forEach((bit, i) => {
      out[i >> 3]! |= bit << (i & 7);
    });
    return out;
  }
}

export interface TedsFields {
  manufacturer: number;
  model: number;
  versionLetter: string;
  versionNumber: number;
  serial: number;
  physMeasurand: number;
  minPhys: number;
  maxPhys: number;
  minElec: number;
  maxElec: number;
  bridge: number;
  impedanceRaw: number;
  respTimeRaw: number;
  excitationRaw: [number, number, number];
  calDateRaw: number;
  initials: string;
  calPeriod: number;
  measId: number;
}

export function writeBasic(fields: TedsFields): BitWriter {
  return new BitWriter().put(fields.manufacturer, 14).put(fields.model, 15).letters(fields.versionLetter).put(fields.versionNumber, 6).put(fields.serial, 24);
}

/** The basic part and template 33 with electrical precision 2. */
export function writeTeds(fields: TedsFields): Uint8Array {
  const writer = writeBasic(fields).put(0, 2).put(33, 8).put(fields.physMeasurand, 6).single(fields.minPhys).single(fields.maxPhys)
    .put(2, 2).single(fields.minElec).single(fields.maxElec).put(fields.bridge, 2).put(fields.impedanceRaw, 18).put(fields.respTimeRaw, 6);
  for (const raw of fields.excitationRaw) writer.put(raw, 9);
  return writer.put(fields.calDateRaw, 16).letters(fields.initials).put(fields.calPeriod, 12).put(fields.measId, 11).put(3, 2).put(1, 1).bytes();
}

/** Pages of 32 bytes, each with its checksum first. */
export function paged(data: Uint8Array, pages = 4): Uint8Array {
  const memory = new Uint8Array(32 * pages);
  for (let page = 0; page < pages; page++) {
    const part = data.subarray(31 * page, 31 * page + 31);
    memory.set(part, 32 * page + 1);
    memory[32 * page] = (256 - (part.reduce((sum, byte) => sum + byte, 0) % 256)) % 256;
  }
  return memory;
}
