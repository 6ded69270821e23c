/** Torque over time for tests: plain curves, with a click where one is asked for. */

export interface PullShape {
  /** N.m at the click, or highest torque without one; negative is counter-clockwise. */
  readonly torque: number;
  readonly hasClick: boolean;
  /** Over-torque after the click, N.m; same sign as `torque`. */
  readonly after?: number;
}

const smooth = (share: number): number => share * share * (3 - 2 * share);

/** One second of rise, a fall of 15 % in 15 ms with a click, a push on, a release; 0.6 s of rest around. */
export function pullTorque(shape: PullShape, rateHz: number): number[] {
  const { torque, hasClick, after = torque * 1.05 } = shape;
  const values: number[] = [];
  const part = (seconds: number, at: (share: number) => number): void => {
    const count = Math.round(seconds * rateHz);
    for (let i = 0; i < count; i++) values.push(at(i / count));
  };
  part(0.6, () => 0);
  part(1, (share) => torque * share ** 1.2);
  if (hasClick) {
    part(0.015, (share) => torque * (1 - 0.15 * smooth(share)));
    part(0.2, (share) => torque * 0.85 + (after - torque * 0.85) * share);
    part(0.1, (share) => after * (1 - share));
  } else {
    part(0.2, (share) => torque * (1 - 0.02 * share));
    part(0.15, (share) => torque * 0.98 * (1 - share));
  }
  part(0.6, () => 0);
  return values;
}

/** A small noise that is the same every time, N.m. */
export function withNoise(values: readonly number[], sigma: number, seed = 1): number[] {
  let state = seed >>> 0;
  const uniform = (): number => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32;
  };
  return values.map((value) => value + sigma * (uniform() + uniform() + uniform() + uniform() - 2) * Math.sqrt(3));
}

export function csvText(values: readonly number[], rateHz: number, startS = 0): string {
  return `time_s,torque_Nm\n${values.map((value, i) => `${(startS + i / rateHz).toFixed(6)},${value.toFixed(4)}\n`).join('')}`;
}
