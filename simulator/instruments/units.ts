/**
 * What a virtual instrument multiplies newton metres with to show another unit. Computed from the definitions
 * (1 lb = 0.453 592 37 kg, 1 in = 25.4 mm, g = 9.806 65 m/s2), not taken from the gateway's table: a mistake there
 * must not be repeated here.
 */
const GRAVITY = 9.80665;
const POUND_FORCE = 0.45359237 * GRAVITY;
const INCH = 0.0254;

const NEWTON_METRES: Readonly<Record<string, number>> = {
  'N.m': 1,
  'cN.m': 1e-2,
  'mN.m': 1e-3,
  'kN.m': 1e3,
  'N.cm': 1e-2,
  'N.mm': 1e-3,
  '[lbf_av].[ft_i]': POUND_FORCE * 12 * INCH,
  '[lbf_av].[in_i]': POUND_FORCE * INCH,
  '[oz_av].[g].[in_i]': (POUND_FORCE / 16) * INCH,
  '[oz_av].[g].[ft_i]': (POUND_FORCE / 16) * 12 * INCH,
  'kgf.m': GRAVITY,
  'kgf.cm': GRAVITY / 100,
  'gf.cm': GRAVITY / 1e5,
  'dyn.cm': 1e-7,
};

export const SHOWN_UNITS = Object.keys(NEWTON_METRES);

/** Units per newton metre. @throws RangeError for a unit that is none of `SHOWN_UNITS`. */
export function unitsPerNewtonMetre(unit: string): number {
  const factor = NEWTON_METRES[unit];
  if (factor === undefined) throw new RangeError(`no torque unit "${unit}"`);
  return 1 / factor;
}
