/** Devices of real drivers for proofs about holes: how each says a torque, and what its driver needs to be told. */
import type { DriverDefinition } from '../../drivers/api.ts';
import { asciiLines } from '../../drivers/protocols/ascii-lines/driver.ts';
import { framedBinary } from '../../drivers/protocols/framed-binary/driver.ts';
import { rtuFrame } from '../../drivers/protocols/modbus/codec.ts';
import { modbusRtu } from '../../drivers/protocols/modbus/driver.ts';
import { scpi } from '../../drivers/protocols/scpi/driver.ts';

export interface PushedDevice {
  readonly kind: 'pushed';
  readonly name: string;
  readonly driver: DriverDefinition;
  readonly ratesHz: readonly number[];
  readonly options: object;
  /** @param taken number of the sample among those taken @param sent among those sent */
  encode(torque: number, taken: number, sent: number): Uint8Array;
}

export interface PolledDevice {
  readonly kind: 'polled';
  readonly name: string;
  readonly driver: DriverDefinition;
  readonly ratesHz: readonly number[];
  options(poll: { readonly rateHz: number; readonly timeoutMs: number; readonly quietMs: number }): object;
  /** Bytes that answer a message at this torque; null: it says nothing. `isSample`: they carry the torque. */
  answer(message: Uint8Array, torque: number): { readonly bytes: Uint8Array; readonly isSample: boolean } | null;
}

export type HoleDevice = PushedDevice | PolledDevice;

/** N.m of one count of the binary devices. */
const SCALE = 0.002;
const counts = (torque: number): number => Math.round(torque / SCALE);
const text = (line: string): Uint8Array => Buffer.from(line, 'latin1');

/** Without a check: such a frame counts when the next one begins, so the last before a hole comes with the first behind it. */
function plainFrame(torque: number): Uint8Array {
  const bytes = Buffer.of(0xa5, 0x5a, 0, 0);
  bytes.writeInt16BE(counts(torque), 2);
  return bytes;
}

function countedFrame(torque: number, counter: number): Uint8Array {
  const bytes = Buffer.alloc(7);
  bytes[0] = 0xa5;
  bytes.writeUInt16BE(counter & 0xffff, 1);
  bytes.writeInt16BE(counts(torque), 3);
  bytes.writeUInt16BE(bytes.subarray(0, 5).reduce((sum, byte) => sum + byte, 0), 5);
  return bytes;
}

/** Begins again after 256 frames: a hole of many more hides behind it but for the rest. */
function byteCountedFrame(torque: number, counter: number): Uint8Array {
  const bytes = Buffer.alloc(6);
  bytes[0] = 0xa5;
  bytes[1] = counter & 0xff;
  bytes.writeInt16BE(counts(torque), 2);
  bytes.writeUInt16BE(bytes.subarray(0, 4).reduce((sum, byte) => sum + byte, 0), 4);
  return bytes;
}

const COUNTED = {
  framing: { kind: 'sync', bytes: 'a5', length: 7 }, channels: [{ at: 3, type: 'i16', scale: SCALE }],
  counter: { at: 1, type: 'u16' }, checksum: { name: 'SUM-16' },
};
const PUSHED_RATES = [10, 40, 100, 500, 1_000, 2_000, 5_000, 20_000];
const POLLED_RATES = [10, 20, 50, 100];

export const HOLE_DEVICES: readonly HoleDevice[] = [
  {
    kind: 'pushed', name: 'ascii-lines', driver: asciiLines, ratesHz: PUSHED_RATES, options: {},
    encode: (torque) => text(`${torque.toFixed(3)}\r\n`),
  },
  {
    kind: 'pushed', name: 'framed-binary, no counter', driver: framedBinary, ratesHz: PUSHED_RATES,
    options: { framing: { kind: 'sync', bytes: 'a5 5a', length: 4 }, channels: [{ at: 2, type: 'i16', scale: SCALE }] },
    encode: plainFrame,
  },
  {
    kind: 'pushed', name: 'framed-binary, u16 counts on in the hole', driver: framedBinary, ratesHz: PUSHED_RATES, options: COUNTED,
    encode: countedFrame,
  },
  {
    kind: 'pushed', name: 'framed-binary, u8 counts on in the hole', driver: framedBinary, ratesHz: PUSHED_RATES,
    options: {
      framing: { kind: 'sync', bytes: 'a5', length: 6 }, channels: [{ at: 2, type: 'i16', scale: SCALE }],
      counter: { at: 1, type: 'u8' }, checksum: { name: 'SUM-16' },
    },
    encode: byteCountedFrame,
  },
  {
    kind: 'pushed', name: 'framed-binary, counter stands in the hole', driver: framedBinary, ratesHz: PUSHED_RATES, options: COUNTED,
    encode: (torque, _taken, sent) => countedFrame(torque, sent),
  },
  {
    kind: 'polled', name: 'scpi, asked', driver: scpi, ratesHz: POLLED_RATES,
    options: (poll) => ({ poll }),
    answer: (message, torque) => {
      const asked = Buffer.from(message).toString('latin1').trim();
      if (asked === '*IDN?') return { bytes: text('Hollin & Fenn (invented),HF-60,HF-0001,1.0\n'), isSample: false };
      if (asked === 'SYST:ERR?') return { bytes: text('0,"No error"\n'), isSample: false };
      return asked === 'READ?' ? { bytes: text(`${torque.toFixed(4)}\n`), isSample: true } : null;
    },
  },
  {
    kind: 'polled', name: 'modbus-rtu, asked, counts', driver: modbusRtu, ratesHz: POLLED_RATES,
    options: (poll) => ({ poll, pauseMs: 1.75, channels: [{ address: 0, type: 'i16', scale: SCALE }] }),
    answer: (_message, torque) => {
      const pdu = Buffer.of(3, 2, 0, 0);
      pdu.writeInt16BE(counts(torque), 2);
      return { bytes: rtuFrame(1, pdu), isSample: true };
    },
  },
];
