/**
 * From device values to torque: signal, unit, calibration, sense, zero. One function for the live stream, for replays and for
 * stored traces, so that all of them give the same doubles.
 */
import type { CalibrationCurve, Conditioning } from '../../shared/sample-block.ts';
import { torqueUnit } from '../../shared/units.ts';

/**
 * Writes torque in N.m for every device value: `sign * curve(value * unit factor) - zero`, where a signal of the bridge is
 * first turned into a value of that unit.
 * @param device values as sent, in `conditioning.unit`
 * @param torque same length or longer; filled from 0
 */
export function applyConditioning(device: Float64Array, torque: Float64Array, conditioning: Conditioning): void {
  const factor = torqueUnit(conditioning.unit).newtonMetres;
  const { calibration, sign, zero, signal } = conditioning;
  const count = device.length;
  if (signal !== undefined) {
    const valueOf = polynomialOf(signal.coefficients);
    const curve = curveOf(calibration);
    const { millivoltsPerVolt, offset } = signal;
    for (let i = 0; i < count; i++) torque[i] = sign * curve(valueOf(device[i]! * millivoltsPerVolt - offset) * factor) - zero;
    return;
  }
  if (calibration.kind === 'none' || calibration.kind === 'factor') {
    const gain = sign * factor * (calibration.kind === 'factor' ? calibration.factor : 1);
    for (let i = 0; i < count; i++) torque[i] = device[i]! * gain - zero;
    return;
  }
  const curve = curveOf(calibration);
  for (let i = 0; i < count; i++) torque[i] = sign * curve(device[i]! * factor) - zero;
}

/** The torque of a whole trace, N.m. */
export function torqueOf(device: Float64Array, conditioning: Conditioning): Float64Array {
  const torque = new Float64Array(device.length);
  applyConditioning(device, torque, conditioning);
  return torque;
}

function polynomialOf(coefficients: readonly number[]): (u: number) => number {
  return (u) => {
    let sum = 0;
    for (let power = coefficients.length - 1; power >= 0; power--) sum = sum * u + coefficients[power]!;
    return sum;
  };
}

function curveOf(calibration: CalibrationCurve): (u: number) => number {
  if (calibration.kind === 'none') return (u) => u;
  if (calibration.kind === 'factor') return (u) => u * calibration.factor;
  if (calibration.kind === 'polynomial') return polynomialOf(calibration.coefficients);
  const { points } = calibration;
  const last = points.length - 2;
  return (u) => {
    let segment = 0;
    while (segment < last && u > points[segment + 1]![0]) segment++;
    const [x0, y0] = points[segment]!;
    const [x1, y1] = points[segment + 1]!;
    return y0 + ((y1 - y0) * (u - x0)) / (x1 - x0);
  };
}
