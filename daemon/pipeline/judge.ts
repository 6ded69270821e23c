/** From a capture to a reading: unit, limits, verdict, uncertainty, flags. Pure. */
import type { Capture } from '../capture/events.ts';
import { limitsOf } from '../capture/defaults.ts';
import { cornerHz } from '../conditioning/low-pass.ts';
import type { Limits } from '../../shared/capture-settings.ts';
import type { Flag, PulseReading, Reading, Verdict } from '../../shared/reading.ts';
import type { Conditioning } from '../../shared/sample-block.ts';
import type { Trace } from '../../shared/trace.ts';
import { convertTorque } from '../../shared/units.ts';

/** A value and a limit that arithmetic with doubles alone sets apart are equal; far below any resolution. */
const SAME = 1e-12;
/** So much of its span beyond a table is rounding of what lies on its end. */
const END_SLACK = 1e-12;

/**
 * Simple acceptance: the limits themselves are within. Compared in the unit of the limits, unrounded.
 * @param magnitude torque in the direction of the cycle, in the unit of the limits
 */
export function verdictOf(limits: Limits, magnitude: number): Verdict {
  const { low, high } = limitsOf(limits);
  if (low === null || high === null) return 'none';
  if (magnitude < low * (1 - SAME)) return 'low';
  return magnitude > high * (1 + SAME) ? 'high' : 'within';
}

export interface JudgeOptions {
  readonly source: string | null;
  /** The reading's id from what makes its trace unique; the same trace gives the same id. */
  readonly idOf: (trace: Omit<Trace, 'id'>) => string;
  /** False in a replay, which stores nothing. */
  readonly keepsTrace: boolean;
}

export function judge(capture: Capture, trace: Omit<Trace, 'id'>, options: JudgeOptions): { reading: Reading; trace: Trace } {
  const { evidence } = trace;
  const { settings } = evidence;
  const id = options.idOf(trace);
  const value = convertTorque(capture.value, 'N.m', settings.unit);
  const startMs = trace.startWallMs + evidence.cycleAt * trace.spacingMs;
  const { uncertainty } = evidence.transducer;
  const isZeroCheck = evidence.takenBy === 'zero-check';
  const limits: Limits = isZeroCheck ? { kind: 'none' } : settings.limits;
  const reading: Reading = {
    type: 'reading',
    id,
    seq: null,
    source: options.source,
    channel: trace.channel,
    epoch: trace.epoch,
    mode: settings.mode,
    value,
    unit: settings.unit,
    direction: capture.direction,
    maximum: convertTorque(capture.maximum, 'N.m', settings.unit),
    ...(capture.click === undefined ? {} : { click: capture.click }),
    ...(capture.pulse === undefined ? {} : { pulse: pulseIn(capture.pulse, settings.unit) }),
    ...(isZeroCheck ? { zeroCheck: true as const } : {}),
    startedAt: new Date(startMs).toISOString(),
    durationMs: capture.durationMs,
    ...limitsOf(limits),
    verdict: verdictOf(limits, capture.direction === 'ccw' ? -value : value),
    uncertainty: uncertainty === null ? null : { expanded: (Math.abs(value) * uncertainty.percent) / 100, k: uncertainty.k },
    sampleRateHz: trace.rateHz,
    cutoffHz: cornerHz(settings.filter),
    flags: flagsOf(capture, trace, startMs),
    traceId: options.keepsTrace ? id : null,
  };
  return { reading, trace: { ...trace, id } };
}

function pulseIn(pulse: PulseReading, unit: string): PulseReading {
  const converted = (torque: number): number => convertTorque(torque, 'N.m', unit);
  return { ...pulse, highest: converted(pulse.highest), last: converted(pulse.last), meanOfLast: converted(pulse.meanOfLast) };
}

/** Beside the value the highest torque counts: it stands in the reading too. */
function isBeyondTable({ value, maximum }: Capture, { calibration, sign, zero }: Conditioning): boolean {
  if (calibration.kind !== 'points') return false;
  const ends = [calibration.points[0]![1], calibration.points.at(-1)![1]];
  const lowest = Math.min(...ends) - END_SLACK * Math.abs(ends[1]! - ends[0]!);
  const highest = Math.max(...ends) + END_SLACK * Math.abs(ends[1]! - ends[0]!);
  return [value, maximum].some((torque) => {
    const read = sign * (torque + zero);
    return read < lowest || read > highest;
  });
}

function flagsOf(capture: Capture, trace: Omit<Trace, 'id'>, startMs: number): Flag[] {
  const { transducer, simulated, timeEstimated, takenBy } = trace.evidence;
  const flags: Flag[] = [...capture.flags];
  if (transducer.calibrationDue !== null && isPast(transducer.calibrationDue, startMs)) flags.push('calibration-overdue');
  if (takenBy !== 'zero-check') {
    if (isBeyondTable(capture, trace.evidence.conditioning)) flags.push('beyond-calibration');
    if (transducer.lowestTorque !== null && Math.abs(capture.value) < transducer.lowestTorque) flags.push('below-range');
  }
  if (timeEstimated) flags.push('time-estimated');
  if (simulated) flags.push('simulated');
  return flags;
}

/** The due day itself still counts, in UTC. */
export function isPast(day: string, wallMs: number): boolean {
  return new Date(wallMs).toISOString().slice(0, 10) > day;
}
