/** Numbers, units and times as a person reads them. Pure. */
import { decimalsFor, displayStep } from '../../shared/display.ts';
import type { PulseReading } from '../../shared/reading.ts';
import { convertTorque, torqueUnit } from '../../shared/units.ts';
import type { ChannelInfo } from '../../shared/wire/events.ts';

export { decimalsFor, displayStep } from '../../shared/display.ts';

const MINUS = '−';

/** Rounded to a whole number of steps, half away from zero; a true minus sign; never "−0". */
export function formatTorque(value: number, step: number): string {
  const steps = Math.round(Math.abs(value) / step + 1e-9);
  const text = (steps * step).toFixed(decimalsFor(step));
  return value < 0 && steps > 0 ? MINUS + text : text;
}

/** The step that torques of a channel are rounded to, in that unit; the channel may be set to another one by now. */
export function stepIn(unit: string, { transducer, settings }: Pick<ChannelInfo, 'transducer' | 'settings'>): number {
  return convertTorque(displayStep(transducer.resolution, transducer.capacity), settings.unit, unit);
}

export function unitSymbol(ucum: string): string {
  try {
    return torqueUnit(ucum).symbol;
  } catch {
    return ucum;
  }
}

/** Time of day of the person who looks. */
export function clockTime(iso: string): string {
  const date = new Date(iso);
  return Number.isNaN(date.getTime()) ? '' : date.toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', second: '2-digit', hour12: false });
}

export function durationText(ms: number): string {
  if (ms < 995) return `${Math.round(ms)} ms`;
  return `${(ms / 1_000).toFixed(ms < 9_950 ? 2 : 1)} s`;
}

/** What is to be said of a run-down, each part for itself. @param beside the torque that stands there already, or null */
export function pulseParts({ count, highest, meanOf, meanOfLast, durationMs }: PulseReading, step: number, beside: number | null = null): readonly string[] {
  return [
    `${count} pulse${count === 1 ? '' : 's'}`, ...(highest === beside ? [] : [`highest ${formatTorque(highest, step)}`]),
    ...(meanOfLast === beside ? [] : [`mean of last ${meanOf}: ${formatTorque(meanOfLast, step)}`]), `run-down ${durationText(durationMs)}`,
  ];
}

/** A few round numbers between two ends. */
export function roundTicks(from: number, to: number, about: number): number[] {
  const span = to - from;
  if (!(span > 0)) return [];
  const raw = span / about;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((factor) => factor * power).find((candidate) => candidate >= raw) ?? raw;
  const ticks: number[] = [];
  for (let i = Math.ceil(from / step - 1e-9); i * step <= to + span * 1e-9; i++) ticks.push(i * step);
  return ticks;
}
