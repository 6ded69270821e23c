/** Units of the physical measurand of a template, by their number in the enumeration of IEEE 1451.4. */
export const PHYSICAL_MEASURANDS: readonly string[] = [
  'K', '°C', 'strain', 'microstrain', 'N', 'lbf', 'kgf', 'm/s²', 'g', 'N·m/rad', 'N·m', 'ozf·in', 'Pa', 'psi', 'kg', 'g (mass)', 'm', 'mm', 'in', 'm/s', 'mph', 'ft/s', 'rad', '°',
  'rad/s', '1/min', 'Hz', 'g/l', 'kg/l', 'mol/m³', 'mol/l', 'm³/m³', 'l/l', 'kg/s', 'm³/s', 'm³/h', 'gal/min', 'ft³/min', 'l/min', '% relative humidity', '%', 'V', 'V (r.m.s.)', 'A',
  'A (r.m.s.)', 'W',
];

/** Those that are torques, with their UCUM code. */
export const TORQUE_MEASURANDS: ReadonlyMap<number, string> = new Map([[10, 'N.m'], [11, '[oz_av].[g].[in_i]']]);
