/** Binary frames to values, by a layout. No time, no input or output; remembers the counter of the last frame and what was lost since. */
import { STATUS } from '../../shared/sample-block.ts';
import type { RunCollector } from './run-collector.ts';
import { channelBytes, hexBytes, layoutChannels, tailBytes, type ChannelPlace, type Layout, type StatusBits } from './layout.ts';
import { numberBytes, numberReader } from './number-types.ts';

type Read = (view: DataView, at: number) => number;

interface StatusReader {
  readonly at: number;
  readonly read: Read;
  readonly overload: number;
  readonly unstable: number;
  readonly invalid: number;
  readonly negative: number;
}

interface ChannelReader {
  readonly at: number;
  readonly read: Read;
  readonly scale: number;
  /** Set instead of the scale where it is one over a whole number, as 0.001 is: 12345 / 1000 is the double of 12.345, 12345 * 0.001 is not. */
  readonly divisor: number;
  readonly offset: number;
  readonly below: number;
  readonly above: number;
  readonly isBcd: boolean;
  readonly status: readonly StatusReader[];
}

/** With a counter, damaged frames are told together with what the counter says; but not put off for ever. */
const MOST_PUT_OFF = 16;

export class LayoutCodec {
  readonly channelCount: number;
  readonly #layout: Layout;
  readonly #runs: RunCollector;
  readonly #channels: readonly ChannelReader[];
  readonly #status: StatusReader | null;
  readonly #only: { readonly at: number; readonly bytes: Uint8Array } | null;
  readonly #frameChannel: { readonly at: number; readonly read: Read; readonly numbers: readonly number[] } | null;
  readonly #counter: { readonly at: number; readonly read: Read; readonly modulo: number; readonly step: number; readonly mostLost: number } | null;
  /** Bytes of a frame with its samples; more is accepted only where lengths may differ. */
  readonly #needed: number;
  readonly #tail: number;
  readonly #stride: number;
  #view: DataView = new DataView(new ArrayBuffer(0));
  #lastCount = -1;
  /** Samples of each channel in the last frame. */
  #samples: number;
  #lastChannel = -1;
  #damaged = 0;
  #damageReason: 'check' | 'shape' = 'shape';

  constructor(layout: Layout, runs: RunCollector) {
    const { samples, frameChannel, counter, only, byteOrder } = layout;
    this.channelCount = layoutChannels(layout);
    this.#layout = layout;
    this.#runs = runs;
    const frameStatus = layout.status ? [statusReader(layout.status, layout)] : [];
    this.#channels = layout.channels.map((place) => channelReader(place, layout));
    this.#status = frameStatus[0] ?? null;
    this.#only = only ? { at: only.at, bytes: hexBytes(only.bytes) } : null;
    this.#frameChannel = frameChannel ? { ...frameChannel, read: numberReader(frameChannel.type, frameChannel.byteOrder ?? byteOrder) } : null;
    this.#counter = counter
      ? { ...counter, read: numberReader(counter.type, counter.byteOrder ?? byteOrder), modulo: counter.modulo ?? 256 ** numberBytes(counter.type) } : null;
    this.#stride = samples?.stride ?? 0;
    this.#samples = typeof samples?.count === 'number' ? samples.count : 1;
    this.#tail = tailBytes(layout);
    this.#needed = neededBytes(layout) + (this.#samples - 1) * this.#stride;
  }

  /** `count` frames as in `FrameSink.frames`. */
  decode(bytes: Uint8Array, bounds: Int32Array, count: number): void {
    if (this.#view.buffer !== bytes.buffer || this.#view.byteOffset !== bytes.byteOffset) this.#view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    for (let i = 0; i < count; i++) this.#frame(bytes, bounds[2 * i]!, bounds[2 * i + 1]!);
  }

  /** Frames that did not pass their check, as `FrameSink.damaged`. */
  damaged(frames: number, reason: 'check' | 'shape'): void {
    if (this.#damaged === 0) this.#damageReason = reason;
    this.#damaged += frames;
    if (this.#counter === null || this.#lastCount < 0) this.#tellDamage(this.#lost(frames));
    else if (this.#damaged >= MOST_PUT_OFF) this.#tellDamage(0);
  }

  #frame(bytes: Uint8Array, start: number, end: number): void {
    if (this.#only !== null && !holds(bytes, start + this.#only.at, end, this.#only.bytes)) return;
    const view = this.#view;
    const inner = end - this.#tail;
    if (inner - start < this.#needed) {
      this.#unreadable(`a frame of ${end - start} bytes, where the layout needs ${this.#needed + this.#tail}`);
      return;
    }
    let samples = this.#samples;
    if (this.#layout.samples?.count === 'by-length') {
      samples = 1 + Math.floor((inner - start - this.#needed) / this.#stride);
      this.#samples = samples;
    }
    const only = this.#frameChannel === null ? -1 : this.#frameChannel.numbers.indexOf(this.#frameChannel.read(view, start + this.#frameChannel.at));
    if (this.#frameChannel !== null && only < 0) {
      this.#unreadable(`channel ${this.#frameChannel.read(view, start + this.#frameChannel.at)}, which the settings do not name`);
      return;
    }
    if (this.#counter !== null) this.#count(this.#counter.read(view, start + this.#counter.at), only);
    if (only >= 0) this.#lastChannel = only;

    const common = this.#status === null ? 0 : flagsOf(this.#status, view, start);
    for (let sample = 0; sample < samples; sample++) {
      const at = start + sample * this.#stride;
      for (let channel = 0; channel < this.#channels.length; channel++) {
        this.#value(only >= 0 ? only : channel, this.#channels[channel]!, view, at, start, common);
      }
    }
  }

  #value(channel: number, place: ChannelReader, view: DataView, at: number, start: number, common: number): void {
    const number = place.read(view, at + place.at);
    let flags = common;
    for (const status of place.status) flags |= flagsOf(status, view, start);
    if (number <= place.below || number >= place.above) {
      this.#runs.fault(channel, 'VALUE_OVERLOAD', `${number} is at the stop of the converter`);
      return;
    }
    if ((flags & INVALID) !== 0) {
      this.#runs.fault(channel, 'VALUE_NOT_FINITE', 'the device says that it has no value');
      return;
    }
    const scaled = place.divisor === 0 ? number * place.scale : number / place.divisor;
    const value = ((flags & NEGATIVE) === 0 ? scaled : -scaled) + place.offset;
    if (!Number.isFinite(value)) {
      if (place.isBcd) this.#runs.fault(channel, 'FRAME_UNREADABLE', 'a decimal digit above 9');
      else this.#runs.fault(channel, 'VALUE_NOT_FINITE', `the value is ${value}`);
      return;
    }
    this.#runs.value(channel, value, null, flags & (STATUS.overload | STATUS.unstable));
  }

  /** Compares the counter of a frame with that of the one before. */
  #count(count: number, channel: number): void {
    const { modulo, step, mostLost } = this.#counter!;
    const last = this.#lastCount;
    this.#lastCount = count;
    if (last < 0) return;
    const behind = (count - last - step) % modulo;
    const rise = behind < 0 ? behind + modulo : behind;
    const lost = rise / step;
    if (lost === 0) {
      if (this.#damaged > 0) this.#tellDamage(0);
      return;
    }
    if (!Number.isInteger(lost) || lost > mostLost || count >= modulo) {
      this.#damaged = 0;
      this.#runs.fault(null, 'FRAME_LOST', `the counter jumped from ${last} to ${count}: the device began anew, or the settings name the wrong counter`, this.#samples);
      return;
    }
    if (this.#frameChannel !== null) this.#tellInterleaved(lost, channel);
    else if (this.#damaged > 0) this.#tellDamage(lost * this.#samples);
    else this.#runs.fault(null, 'FRAME_LOST', `${frames(lost)} lost between the counters ${last} and ${count}`, lost * this.#samples);
  }

  /** Frames of one channel each, lost in turn: whose they were follows from whose came before and after. */
  #tellInterleaved(lost: number, channel: number): void {
    const channels = this.channelCount;
    const isInTurn = (this.#lastChannel + lost + 1) % channels === channel;
    const code = this.#damaged > 0 && this.#damageReason === 'check' ? 'FRAME_CHECKSUM' : 'FRAME_LOST';
    this.#damaged = 0;
    if (!isInTurn) {
      this.#runs.fault(null, code, `${frames(lost)} lost`, Math.ceil(lost / channels) * this.#samples);
      return;
    }
    for (let i = 1; i <= Math.min(lost, channels); i++) {
      const of = (this.#lastChannel + i) % channels;
      this.#runs.fault(of, code, `${frames(lost)} of all channels lost`, (Math.floor((lost - i) / channels) + 1) * this.#samples);
    }
  }

  #tellDamage(missing: number): void {
    const count = this.#damaged;
    this.#damaged = 0;
    if (this.#damageReason === 'check') this.#runs.fault(null, 'FRAME_CHECKSUM', `${frames(count)} with a wrong checksum`, missing);
    else this.#runs.fault(null, 'FRAME_UNREADABLE', `bytes in the place of ${frames(count)} that are none`, missing);
  }

  #unreadable(message: string): void {
    if (this.#counter === null || this.#lastCount < 0) this.#runs.fault(null, 'FRAME_UNREADABLE', message, this.#lost(1));
    else this.damaged(1, 'shape');
  }

  /** Samples that are missing on every channel when so many frames are. */
  #lost(count: number): number {
    return (this.#frameChannel === null ? count : Math.ceil(count / this.channelCount)) * this.#samples;
  }
}

/** Beside the STATUS bits. */
const INVALID = 64;
const NEGATIVE = 128;

function flagsOf(status: StatusReader, view: DataView, start: number): number {
  const bits = status.read(view, start + status.at);
  return ((bits & status.overload) !== 0 ? STATUS.overload : 0) | ((bits & status.unstable) !== 0 ? STATUS.unstable : 0)
    | ((bits & status.invalid) !== 0 ? INVALID : 0) | ((bits & status.negative) !== 0 ? NEGATIVE : 0);
}

function statusReader(status: StatusBits, layout: Layout): StatusReader {
  const mask = (bits: readonly number[]): number => bits.reduce((all, bit) => all | (1 << bit), 0);
  return {
    at: status.at, read: numberReader(status.type, status.byteOrder ?? layout.byteOrder),
    overload: mask(status.overload), unstable: mask(status.unstable), invalid: mask(status.invalid), negative: mask(status.negative),
  };
}

function channelReader(place: ChannelPlace, layout: Layout): ChannelReader {
  const { scale, overloadBelow = -Infinity, overloadAbove = Infinity } = place;
  const reciprocal = Math.round(1 / scale);
  return {
    at: place.at, read: numberReader(place.type, place.byteOrder ?? layout.byteOrder, place.bytes),
    scale, divisor: Math.abs(reciprocal) > 1 && 1 / reciprocal === scale ? reciprocal : 0, offset: place.offset,
    // An infinity is not a converter at its stop.
    below: overloadBelow === -Infinity ? Number.NaN : overloadBelow, above: overloadAbove === Infinity ? Number.NaN : overloadAbove,
    isBcd: place.type === 'bcd', status: statusOf(place, layout),
  };
}

/** A frame that says overload without saying where says it of every channel that has no status of its own. */
function statusOf({ status }: ChannelPlace, layout: Layout): readonly StatusReader[] {
  if (status !== undefined) return status === null ? [] : [statusReader(status, layout)];
  return layout.channels.flatMap((other) => (other.status ? [{ ...statusReader(other.status, layout), negative: 0 }] : []));
}

/** Bytes before the tail that a frame with one sample must have. */
function neededBytes({ channels, counter, status, frameChannel }: Layout): number {
  const fields = [counter, status, frameChannel, ...channels.map((channel) => channel.status)];
  return Math.max(...channels.map((channel) => channel.at + channelBytes(channel)), ...fields.map((field) => (field ? field.at + numberBytes(field.type) : 0)));
}

function holds(bytes: Uint8Array, at: number, end: number, wanted: Uint8Array): boolean {
  if (at + wanted.length > end) return false;
  for (let i = 0; i < wanted.length; i++) if (bytes[at + i] !== wanted[i]) return false;
  return true;
}

function frames(count: number): string {
  return count === 1 ? 'one frame' : `${count} frames`;
}
