/**
 * Which pulls a trace can decide at all. Rules of the physics, fixed before any detector was run; they look at the
 * torque, the noise and the nuisance that the model made, never at what a detector says.
 */

/** A click is a fall of at least this share of the click torque within 40 ms. Less is not called a click by anybody. */
export const LEAST_CLICK_DEPTH = 0.02;
export const FALL_WINDOW_S = 0.04;
/** A fall must be this many sigma of the white noise (one sample) deep. */
export const LEAST_SIGMAS = 6;
/** Torque stays below the click torque at least this long: 25 ms and five samples. */
export const LEAST_BELOW_S = 0.025;
export const LEAST_BELOW_SAMPLES = 5;
/** A fall must be this many times the largest fall of the nuisance (hum, pink noise, tremor) within 40 ms. */
export const CLEAR_OF_NUISANCE = 2;
/** Without a click, the nuisance may fall by this share of the highest torque: half of what is called a click. */
export const CALM_SHARE = LEAST_CLICK_DEPTH / 2;

export function canSeeClick(fall: number, belowS: number, rateHz: number, sigma: number, nuisanceFall: number): boolean {
  return fall >= LEAST_SIGMAS * sigma && fall >= CLEAR_OF_NUISANCE * nuisanceFall
    && belowS >= Math.max(LEAST_BELOW_S, LEAST_BELOW_SAMPLES / rateHz);
}
