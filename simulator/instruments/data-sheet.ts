/** The electronic data sheet of a simulated transducer: IEEE 1451.4 basic part and template 33 (bridge sensors), as it lies in its memory. */

export interface DataSheet {
  /** 17 ... 16381; the numbers are given out by the standard's registry, the simulator's is invented. */
  readonly manufacturer: number;
  readonly model: number;
  readonly serial: number;
  /** N.m */
  readonly capacity: number;
  /** mV/V at the capacity, and without torque. */
  readonly sensitivity: number;
  readonly zeroBalance: number;
  /** Days since 1998-01-01, and days until the next. */
  readonly calibratedDay: number;
  readonly periodDays: number;
}

const NEWTON_METRE = 10;
const FULL_BRIDGE = 2;

/** Fields one after the other, the lowest bit of each first. */
export function dataSheetBits(sheet: DataSheet): Uint8Array {
  const bits: number[] = [];
  const put = (value: number, width: number): void => {
    for (let i = 0; i < width; i++) bits.push(Math.floor(value / 2 ** i) % 2);
  };
  const single = (value: number): void => {
    const view = new DataView(new ArrayBuffer(4));
    view.setFloat32(0, value);
    put(view.getUint32(0), 32);
  };
  const voltsPerVolt = (torqueShare: number): number => (torqueShare * sheet.sensitivity + sheet.zeroBalance) / 1_000;
  put(sheet.manufacturer, 14);
  put(sheet.model, 15);
  put(1, 5); // version letter A
  put(1, 6);
  put(sheet.serial, 24);
  put(0, 2); // a template of the standard follows
  put(33, 8);
  put(NEWTON_METRE, 6);
  single(-sheet.capacity);
  single(sheet.capacity);
  put(2, 2); // electrical values as singles
  single(voltsPerVolt(-1));
  single(voltsPerVolt(1));
  put(FULL_BRIDGE, 2);
  put(3_490, 18); // 350 ohms: 1 + 0.1 for each step
  put(0, 6); // 1 microsecond
  put(49, 9); // 5 V: 0.1 + 0.1 for each step
  put(9, 9); // 1 V
  put(99, 9); // 10 V
  put(sheet.calibratedDay, 16);
  for (const letter of 'HFI') put(letter.charCodeAt(0) - 64, 5);
  put(sheet.periodDays, 12);
  put(0, 11);
  put(3, 2); // end
  put(1, 1);
  const bytes = new Uint8Array(Math.ceil(bits.length / 8));
  bits.forEach((bit, i) => {
    bytes[i >> 3] = bytes[i >> 3]! + bit * 2 ** (i % 8);
  });
  return bytes;
}

/** The 128 bytes of the memory: four pages, each led by the byte that makes its sum 0 modulo 256. */
export function dataSheetImage(sheet: DataSheet): Uint8Array {
  const memory = new Uint8Array(128);
  const data = dataSheetBits(sheet);
  for (let page = 0; page < 4; page++) {
    memory.set(data.subarray(31 * page, 31 * (page + 1)), 32 * page + 1);
    let sum = 0;
    for (let i = 1; i < 32; i++) sum += memory[32 * page + i]!;
    memory[32 * page] = (256 - (sum % 256)) % 256;
  }
  return memory;
}
