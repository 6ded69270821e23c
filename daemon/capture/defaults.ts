/**
 * From the settings a person gives to the numbers capture counts with. One set of defaults for every tool: they follow
 * from the transducer's capacity, the target, the channel's noise and its sample rate. Common practice or our own
 * choice; each can be set, and each is stored with the reading it made.
 */
import type { CaptureSettings, Limits } from '../../shared/capture-settings.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import { convertTorque } from '../../shared/units.ts';
import { filterFault } from '../conditioning/low-pass.ts';

/** A cycle begins at this share of capacity … */
const ARM_SHARE = 0.02;
/** … or of the target, whichever is more … */
const ARM_TARGET_SHARE = 0.05;
/** … and never within so many sigma of the noise. */
const ARM_NOISE = 10;
/** It ends at this share of the arming torque. */
const RELEASE_SHARE = 0.5;

/** No click below this share of the target; without one, of capacity: where the usable range usually begins (common practice). */
const CLICK_TARGET_SHARE = 0.3;
const CLICK_SHARE = 0.1;

const TIMES = {
  releaseMs: 40,
  minDurationMs: 20,
  maxDurationMs: 60_000,
  preRollMs: 250,
  clickDepth: 0.015,
  clickFallMs: 40,
  clickConfirmMs: 70,
} as const;

/** Least sample rate of each mode, S/s. First-peak must see falls of some ten milliseconds, pulse crests of some milliseconds. */
const LEAST_RATE: Record<CaptureSettings['mode'], number> = { 'track': 0.5, 'peak': 10, 'first-peak': 100, 'pulse': 1_000 };

/**
 * @param capacityNm of the transducer, N.m
 * @param noise sigma of the idle channel, N.m
 */
export function detectorNumbers(settings: CaptureSettings, capacityNm: number, noise: number): DetectorNumbers {
  const given = settings.detector;
  const target = targetNm(settings);
  const armTorque = torqueNm(settings, given.armTorque) ?? Math.max(ARM_SHARE * capacityNm, ARM_TARGET_SHARE * target, ARM_NOISE * noise);
  return {
    armTorque,
    releaseTorque: torqueNm(settings, given.releaseTorque) ?? RELEASE_SHARE * armTorque,
    releaseMs: given.releaseMs ?? TIMES.releaseMs,
    minDurationMs: given.minDurationMs ?? TIMES.minDurationMs,
    maxDurationMs: given.maxDurationMs ?? TIMES.maxDurationMs,
    preRollMs: given.preRollMs ?? TIMES.preRollMs,
    clickFloor: torqueNm(settings, given.clickFloor) ?? Math.max(1.5 * armTorque, target > 0 ? CLICK_TARGET_SHARE * target : CLICK_SHARE * capacityNm),
    clickDepth: given.clickDepth ?? TIMES.clickDepth,
    clickFallMs: given.clickFallMs ?? TIMES.clickFallMs,
    clickConfirmMs: given.clickConfirmMs ?? TIMES.clickConfirmMs,
  };
}

/** The still band of track, N.m, around a torque of this magnitude. */
export function stableBand(settings: CaptureSettings, capacityNm: number, magnitude: number): number {
  return torqueNm(settings, settings.track.stableBand) ?? Math.max(0.025 * magnitude, 0.003 * capacityNm);
}

function torqueNm({ unit }: CaptureSettings, torque: number | undefined): number | undefined {
  return torque === undefined ? undefined : convertTorque(torque, unit, 'N.m');
}

/** Target in N.m, 0 without one. */
export function targetNm(settings: CaptureSettings): number {
  return settings.limits.kind === 'none' ? 0 : convertTorque(settings.limits.target, settings.unit, 'N.m');
}

/** Target, low and high as magnitudes in the unit of the settings; nulls without limits. */
export function limitsOf(limits: Limits): { target: number | null; low: number | null; high: number | null } {
  switch (limits.kind) {
    case 'none': return { target: null, low: null, high: null };
    case 'absolute': return { target: limits.target, low: limits.low, high: limits.high };
    case 'percent': return {
      target: limits.target,
      low: limits.target * (1 - limits.minus / 100),
      high: limits.target * (1 + limits.plus / 100),
    };
  }
}

/** Everything that speaks against these settings on a channel of that rate; empty when they fit. */
export function checkCapture(settings: CaptureSettings, rateHz: number | null, capacityNm: number): TorsiondError[] {
  const faults: TorsiondError[] = [];
  const { armTorque, releaseTorque } = settings.detector;
  if (armTorque !== undefined && releaseTorque !== undefined && releaseTorque >= armTorque) {
    faults.push(new TorsiondError('CAPTURE_SETTINGS', `releaseTorque (${releaseTorque} ${settings.unit}) must be below armTorque (${armTorque} ${settings.unit})`));
  }
  const { target } = limitsOf(settings.limits);
  if (target !== null && convertTorque(target, settings.unit, 'N.m') > capacityNm) {
    faults.push(new TorsiondError('LIMITS_INVALID', `the target ${target} ${settings.unit} is beyond the transducer's capacity of ${convertTorque(capacityNm, 'N.m', settings.unit)} ${settings.unit}`));
  }
  if (rateHz === null) return faults;
  const fault = filterFault(settings.filter, rateHz);
  if (fault) faults.push(fault);
  const least = LEAST_RATE[settings.mode];
  if (rateHz < least) {
    faults.push(new TorsiondError('RATE_TOO_LOW', `${settings.mode} needs at least ${least} samples/s; the channel gives ${rateHz}`));
  }
  return faults;
}
