/** The track reading: the mean of the torque over the last stretch of its trace, after the low-pass. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { STATUS, type Conditioning } from '../../shared/sample-block.ts';
import { convertTorque, torqueUnit } from '../../shared/units.ts';
import { torqueOf } from '../conditioning/calibration.ts';
import { LowPass, designLowPass } from '../conditioning/low-pass.ts';
import type { Capture, CapturedEvent, CaptureFlag } from './events.ts';
import { isOffsetAtRest, makeTrace, type ChannelFacts, type TraceParts } from './evidence.ts';

export interface TrackInput {
  /** Device values up to the moment of the reading. */
  readonly device: Float64Array;
  readonly status: Uint8Array | null;
  readonly conditioning: Conditioning;
  readonly settings: CaptureSettings;
  readonly rateHz: number;
  /** N.m */
  readonly capacity: number;
  /** Torque stood there before, without a pull. */
  readonly isOffset: boolean;
}

export function trackCapture(input: TrackInput): Capture {
  const { settings, rateHz } = input;
  const torque = torqueOf(input.device, input.conditioning);
  const lowPass = new LowPass(designLowPass(settings.filter, rateHz));
  lowPass.prime(torque[0]!);
  const smooth = new Float64Array(torque.length);
  lowPass.run(torque, 0, torque.length, smooth);

  const averaged = averagedCount(settings, rateHz, torque.length);
  let sum = 0;
  for (let i = torque.length - averaged; i < torque.length; i++) sum += smooth[i]!;
  const value = sum / averaged;
  const sign = value < 0 ? -1 : 1;

  let maximum = -Infinity;
  let isBeyond = false;
  let status = 0;
  for (let i = torque.length - averaged; i < torque.length; i++) {
    maximum = Math.max(maximum, sign * smooth[i]!);
    isBeyond ||= Math.abs(torque[i]!) > input.capacity;
    status |= input.status?.[i] ?? 0;
  }
  const flags: CaptureFlag[] = [];
  if (isBeyond) flags.push('over-capacity');
  if (status & STATUS.overload) flags.push('overload');
  if (status & STATUS.unstable) flags.push('unstable');
  if (input.isOffset) flags.push('offset-at-rest');
  return { value, maximum: sign * maximum, direction: sign < 0 ? 'ccw' : 'cw', durationMs: (averaged * 1000) / rateHz, flags };
}

/** Samples whose mean the reading is. */
function averagedCount({ track }: CaptureSettings, rateHz: number, available: number): number {
  return Math.max(1, Math.min(available, Math.round((track.averageMs * rateHz) / 1000)));
}

/** The reading of samples that end at the moment it is taken, with those samples as its trace. */
export function takeTrack(samples: Omit<TraceParts, 'cycleAt' | 'takenAt'>, facts: ChannelFacts): CapturedEvent {
  const count = samples.device.length;
  return {
    kind: 'captured',
    capture: trackCapture({ ...samples, capacity: facts.capacity, isOffset: isOffsetAtRest(samples) }),
    trace: makeTrace(facts, { ...samples, cycleAt: count - averagedCount(samples.settings, samples.rateHz, count), takenAt: count - 1 }),
  };
}

/** @throws TorsiondError TORQUE_TOO_LOW when nothing pulls at the channel */
export function mustBePulled(torque: number, armTorque: number, unit: string): void {
  if (Math.abs(torque) >= armTorque) return;
  const shown = (value: number): string => `${Number(convertTorque(value, 'N.m', unit).toPrecision(3))} ${torqueUnit(unit).symbol}`;
  throw new TorsiondError('TORQUE_TOO_LOW', `a reading needs ${shown(armTorque)} at least; the torque is ${shown(torque)}`);
}
