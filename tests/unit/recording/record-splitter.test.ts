import fc from 'fast-check';
import { expect, it } from 'vitest';
import { MessageTimes } from '../../../daemon/recording/message-times.ts';
import { RecordSplitter } from '../../../daemon/recording/record-splitter.ts';
import { toMilliseconds, toNanoseconds } from '../../../daemon/recording/recording-format.ts';

const record = (opcode: number, body: Uint8Array): Buffer => {
  const head = Buffer.alloc(9);
  head[0] = opcode;
  head.writeBigUInt64LE(BigInt(body.length), 1);
  return Buffer.concat([head, body]);
};

/** What the splitter gives, in whatever pieces the bytes come; asked after each. */
function split(bytes: Uint8Array, pieces: readonly number[]): { given: Uint8Array[]; waiting: number } {
  const splitter = new RecordSplitter();
  const given: Uint8Array[] = [];
  for (let at = 0, n = 0; at < bytes.length; n++) {
    const size = pieces[n % pieces.length]!;
    splitter.append(bytes.subarray(at, at + size));
    at += size;
    for (let one = splitter.next(); one !== null; one = splitter.next()) given.push(one);
  }
  return { given, waiting: splitter.waiting };
}

const sizes = fc.array(fc.integer({ min: 1, max: 60 }), { minLength: 1, maxLength: 20 });
const records = fc.array(fc.tuple(fc.constantFrom(1, 3, 4, 6, 7, 15, 99), fc.uint8Array({ maxLength: 80 })).map(([opcode, body]) => record(opcode, body)), { maxLength: 12 });

it('records come out as they went in, in whatever pieces', () => {
  const magic = Buffer.from('magic678');
  fc.assert(fc.property(records, fc.uint8Array({ maxLength: 8 }), sizes, (whole, begun, pieces) => {
    const { given, waiting } = split(Buffer.concat([magic, ...whole, begun.fill(1)]), pieces);
    expect(given.map((one) => Buffer.from(one).toString('hex'))).toEqual([magic, ...whole].map((one) => one.toString('hex')));
    expect(waiting).toBe(begun.length);
  }));
});

it('from the footer on everything comes as it is', () => {
  fc.assert(fc.property(records, fc.uint8Array({ maxLength: 80 }), sizes, (whole, rest, pieces) => {
    const end = Buffer.concat([record(2, Buffer.alloc(20)), rest]);
    const { given, waiting } = split(Buffer.concat([Buffer.from('magic678'), ...whole, end]), pieces);
    expect(Buffer.concat(given.slice(1 + whole.length)).equals(end)).toBe(true);
    expect(waiting).toBe(0);
  }));
});

it('a record that claims to be longer than anything waits, and goes on waiting', () => {
  const endless = Buffer.from([6, 255, 255, 255, 255, 255, 255, 255, 255, 1, 2, 3]);
  expect(split(Buffer.concat([Buffer.from('magic678'), endless]), [5]).waiting).toBe(endless.length);
});

it('times of messages are to the bit those of whole numbers of 64 bits', () => {
  const ms = fc.oneof(fc.double({ min: 0, max: 4e12, noNaN: true }), fc.constantFrom(0, 4_294.967296, 4_294.967295, 9_007_199_254.740993));
  const view = new DataView(new ArrayBuffer(12));
  fc.assert(fc.property(ms, ms, fc.bigInt({ min: 0n, max: (1n << 63n) - 1n }), fc.boolean(), (startWallMs, startMonoMs, any, isNear) => {
    const shiftNs = toNanoseconds(startMonoMs) - toNanoseconds(startWallMs);
    const logTime = isNear ? toNanoseconds(startWallMs) + (any & 0xffff_ffff_ffffn) : any;
    view.setBigUint64(3, logTime, true);
    expect(new MessageTimes({ startWallMs, startMonoMs }).atMs(view, 3)).toBe(toMilliseconds(logTime + shiftNs));
  }), { numRuns: 5_000 });
});
