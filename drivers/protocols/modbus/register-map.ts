/** Channels to reads and back: neighbouring registers are read together, and taken apart again. Pure. */
import { numberReader } from '../../values/number-types.ts';
import { READ_MAX, readRequest, type ReadFunction, type Request } from './codec.ts';

export const REGISTER_TYPES = ['i16', 'u16', 'i32', 'u32', 'f32'] as const;
export type RegisterType = (typeof REGISTER_TYPES)[number];
/** Where the bytes A B C D of a big-endian number stand; the standard names no order for numbers of two registers. */
export const BYTE_ORDERS = ['ABCD', 'CDAB', 'BADC', 'DCBA'] as const;
export type ByteOrder = (typeof BYTE_ORDERS)[number];

export interface MappedChannel {
  readonly unit: number;
  readonly function: ReadFunction;
  /** As in the message, from 0. */
  readonly address: number;
  readonly type: RegisterType;
  readonly order: ByteOrder;
}

export interface RegisterBlock {
  readonly request: Request;
  /** Channels by number, and where their first byte stands in the data of the answer. */
  readonly channels: readonly { readonly channel: number; readonly offset: number }[];
}

export function registerCount(type: RegisterType): 1 | 2 {
  return type === 'i16' || type === 'u16' ? 1 : 2;
}

/**
 * As few reads as the limit of 125 registers allows, in the order of units and addresses.
 * @param maxGap registers between two channels that are read along with them, at most
 */
export function planReads(channels: readonly MappedChannel[], maxGap: number): readonly RegisterBlock[] {
  const sorted = channels.map((map, channel) => ({ ...map, channel, end: map.address + registerCount(map.type) }))
    .sort((a, b) => a.unit - b.unit || a.function - b.function || a.address - b.address || a.end - b.end);
  const groups: { first: number; end: number; members: typeof sorted }[] = [];
  for (const one of sorted) {
    const group = groups.at(-1);
    const before = group?.members[0];
    const isNear = group && before!.unit === one.unit && before!.function === one.function
      && one.address - group.end <= maxGap && Math.max(group.end, one.end) - group.first <= READ_MAX;
    if (isNear) {
      group.members.push(one);
      group.end = Math.max(group.end, one.end);
    } else {
      groups.push({ first: one.address, end: one.end, members: [one] });
    }
  }
  return groups.map(({ first, end, members }) => ({
    request: readRequest(members[0]!.unit, members[0]!.function, first, end - first),
    channels: members.map(({ channel, address }) => ({ channel, offset: 2 * (address - first) })),
  }));
}

/** The number that begins at byte `at` of the registers. */
export function readRegisters(bytes: Uint8Array, at: number, type: RegisterType, order: ByteOrder): number {
  const isSwapped = order === 'BADC' || order === 'DCBA';
  const isLowFirst = order === 'CDAB' || order === 'DCBA';
  const count = registerCount(type);
  const view = new DataView(new ArrayBuffer(4));
  for (let register = 0; register < count; register++) {
    const from = at + 2 * (isLowFirst ? count - 1 - register : register);
    view.setUint8(2 * register, bytes[isSwapped ? from + 1 : from]!);
    view.setUint8(2 * register + 1, bytes[isSwapped ? from : from + 1]!);
  }
  return numberReader(type, 'big')(view, 0);
}
