/** The samples of a stored cycle, as the gateway hands them out, in the unit of its reading. */
import type { Reading } from '../../shared/reading.ts';
import { convertTorque } from '../../shared/units.ts';

export interface CycleCurve {
  readonly seconds: Float64Array;
  /** Signed, in the reading's unit. */
  readonly torque: Float64Array;
  /** Where the reading was taken, as an index; null when no sample stands for it. */
  readonly valueAt: number | null;
  readonly maximumAt: number | null;
}

/** @throws Error with a plain message when the trace cannot be had */
export async function fetchCurve(reading: Reading, token: string, signal: AbortSignal): Promise<CycleCurve> {
  const address = new URL(`api/v1/readings/${encodeURIComponent(reading.id)}/trace`, document.baseURI);
  const response = await fetch(address, { headers: token === '' ? {} : { authorization: `Bearer ${token}` }, signal });
  if (!response.ok) throw new Error(`the gateway answered ${response.status}`);
  return curveOf(await response.json(), reading);
}

/** @param body an answer of `/api/v1/readings/:id/trace` */
export function curveOf(body: unknown, reading: Reading): CycleCurve {
  const { spacingMs, torque: sent, cycleAt, takenAt } = readTrace(body);
  const torque = Float64Array.from(sent, (value) => convertTorque(value, 'N.m', reading.unit));
  const seconds = Float64Array.from(sent, (_, i) => ((i - cycleAt) * spacingMs) / 1_000);
  const valueAt = reading.mode === 'track' ? takenAt : firstReaching(torque, reading.value);
  const maximumAt = firstReaching(torque, reading.maximum);
  return { seconds, torque, valueAt, maximumAt };
}

/** First sample as far from zero as `value`, on its side; with a low-pass the value may lie a little off the trace. */
function firstReaching(torque: Float64Array, value: number): number | null {
  const side = Math.sign(value) || 1;
  const wanted = Math.abs(value) * (1 - 1e-9);
  const found = torque.findIndex((sample) => sample * side >= wanted);
  return found === -1 ? null : found;
}

function readTrace(body: unknown): { spacingMs: number; torque: readonly number[]; cycleAt: number; takenAt: number | null } {
  const trace = (typeof body === 'object' && body !== null ? body : {}) as Record<string, unknown>;
  const { spacingMs, torque } = trace;
  const evidence = (typeof trace['evidence'] === 'object' && trace['evidence'] !== null ? trace['evidence'] : {}) as Record<string, unknown>;
  if (typeof spacingMs !== 'number' || !(spacingMs > 0) || !Array.isArray(torque) || torque.length === 0) throw new Error('the gateway sent no samples');
  const cycleAt = typeof evidence['cycleAt'] === 'number' ? evidence['cycleAt'] : 0;
  const takenAt = typeof evidence['takenAt'] === 'number' ? evidence['takenAt'] : null;
  return { spacingMs, torque: torque as number[], cycleAt, takenAt };
}
