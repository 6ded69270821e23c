/**
 * A power screwdriver with a shut-off clutch on a run-down fixture: thread friction while the screw runs down, a steep
 * rise when the head seats, and the clutch throws off within milliseconds. Nothing arrests that fall: it is no click.
 */
import type { SeededRandom } from '../random.ts';
import { fallen, type FallShape } from './curve.ts';
import type { Pull } from './pull.ts';

export interface ClutchDriverTraits {
  /** Where the clutch throws off in this run, N.m. */
  readonly shutOffTorque: number;
  /** Friction of the thread as a share of that torque; a few per cent, more with locking nuts (from memory). */
  readonly prevailing: number;
  readonly runDownS: number;
  /** From seating to shut-off, s. A joint of 30 degrees at 200 rev/min takes 25 ms, one of 360 degrees 300 ms. */
  readonly riseS: number;
  /** Curve of the joint: 1 straight, more than 1 steeper towards the end. */
  readonly steepening: number;
  /** 3 to 15 ms (from memory). */
  readonly shutOffS: number;
  readonly shutOffShape: FallShape;
  /** The clutch ratchets on until the trigger is let go: share of the torque, of at most a few per cent. */
  readonly ratchet: number;
  readonly direction: 'cw' | 'ccw';
}

export function runClutchDriver(driver: ClutchDriverTraits, random: SeededRandom): Pull {
  const top = driver.shutOffTorque;
  const prevailing = top * driver.prevailing;
  const START_S = 0.04;
  const RATCHET_S = 0.15;
  const seatAtS = START_S + driver.runDownS;
  const offAtS = seatAtS + driver.riseS;
  const durationS = offAtS + driver.shutOffS + RATCHET_S;
  // Friction is uneven once a turn (here 3 to 8 turns a second) and the driver hums.
  const turnHz = random.between(3, 8);
  const humHz = random.between(40, 90);
  const phase = random.between(0, 2 * Math.PI);
  const sign = driver.direction === 'cw' ? 1 : -1;
  const friction = (t: number): number => prevailing
    * (1 + 0.12 * Math.sin(2 * Math.PI * turnHz * t + phase) + 0.04 * Math.sin(2 * Math.PI * humHz * t));
  const frictionAtSeat = friction(seatAtS);
  return {
    durationS,
    clickAtS: null,
    travelDegAt: () => 0,
    torqueAt(t) {
      if (t <= 0 || t >= durationS) return 0;
      if (t < seatAtS) return sign * friction(t) * fallen('cosine', t / START_S);
      if (t <= offAtS) {
        return sign * (frictionAtSeat + (top - frictionAtSeat) * Math.pow((t - seatAtS) / driver.riseS, driver.steepening));
      }
      const off = t - offAtS;
      const ratchet = top * driver.ratchet * (0.6 + 0.4 * Math.sin(2 * Math.PI * 25 * off)) * (1 - fallen('cosine', (off - 0.05) / (RATCHET_S - 0.05)));
      const falling = fallen(driver.shutOffShape, off / driver.shutOffS);
      return sign * (top * (1 - falling) + ratchet * falling);
    },
  };
}
