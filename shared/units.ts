/**
 * Torque units, keyed by UCUM code. Every factor is exact: it follows from 1 lb = 0.453 592 37 kg, 1 in = 0.0254 m,
 * 1 ft = 0.3048 m and g_n = 9.806 65 m/s2 (all exact by definition) and is written with all its decimals.
 * UCUM has no ounce-force, so ounce-force units are the product of the avoirdupois ounce and the standard gravity.
 */
import { TorsiondError } from './errors.ts';

export interface TorqueUnit {
  /** Code after the Unified Code for Units of Measure; what messages and settings carry. */
  readonly ucum: string;
  /** What a person reads. */
  readonly symbol: string;
  /** Exact decimal of 1 unit in newton metres. */
  readonly exactNewtonMetres: string;
  /** The nearest double of it. */
  readonly newtonMetres: number;
  /** Spellings found in the lines of instruments, lower case without spaces. */
  readonly spellings: readonly string[];
}

const unit = (ucum: string, symbol: string, exactNewtonMetres: string, ...spellings: string[]): TorqueUnit => ({
  ucum, symbol, exactNewtonMetres, newtonMetres: Number(exactNewtonMetres), spellings,
});

export const TORQUE_UNITS: readonly TorqueUnit[] = [
  unit('N.m', 'N·m', '1', 'nm', 'n.m', 'n·m', 'n*m', 'n-m'),
  unit('cN.m', 'cN·m', '0.01', 'cnm', 'cn.m', 'cn·m', 'cn-m'),
  unit('mN.m', 'mN·m', '0.001', 'mnm', 'mn.m', 'mn·m', 'mn-m'),
  unit('kN.m', 'kN·m', '1000', 'knm', 'kn.m', 'kn·m', 'kn-m'),
  unit('N.cm', 'N·cm', '0.01', 'ncm', 'n.cm', 'n·cm', 'n-cm'),
  unit('N.mm', 'N·mm', '0.001', 'nmm', 'n.mm', 'n·mm', 'n-mm'),
  unit('[lbf_av].[ft_i]', 'lbf·ft', '1.3558179483314004', 'lbfft', 'lbf.ft', 'lbf·ft', 'lbf-ft', 'ft-lb', 'ftlb', 'ft.lb', 'lb-ft', 'lbft', 'ft-lbf', 'ftlbf', 'ft.lbf', 'ft·lbf', 'ft-lbs', 'ftlbs'),
  unit('[lbf_av].[in_i]', 'lbf·in', '0.1129848290276167', 'lbfin', 'lbf.in', 'lbf·in', 'lbf-in', 'in-lb', 'inlb', 'in.lb', 'lb-in', 'lbin', 'in-lbf', 'inlbf', 'in.lbf', 'in·lbf', 'in-lbs', 'inlbs'),
  unit('[oz_av].[g].[in_i]', 'ozf·in', '0.00706155181422604375', 'ozfin', 'ozf.in', 'ozf·in', 'ozf-in', 'in-oz', 'inoz', 'in.oz', 'oz-in', 'ozin', 'in-ozf', 'inozf', 'in.ozf', 'in·ozf'),
  unit('[oz_av].[g].[ft_i]', 'ozf·ft', '0.084738621770712525', 'ozfft', 'ozf.ft', 'ozf·ft', 'ozf-ft', 'ft-oz', 'ftoz', 'oz-ft', 'ozft', 'ft-ozf'),
  unit('kgf.m', 'kgf·m', '9.80665', 'kgfm', 'kgf.m', 'kgf·m', 'kgf-m', 'kg-m', 'kgm', 'kg.m', 'm-kg', 'mkg', 'm.kgf'),
  unit('kgf.cm', 'kgf·cm', '0.0980665', 'kgfcm', 'kgf.cm', 'kgf·cm', 'kgf-cm', 'kg-cm', 'kgcm', 'kg.cm', 'cm-kg', 'cmkg', 'cm.kgf'),
  unit('gf.cm', 'gf·cm', '0.0000980665', 'gfcm', 'gf.cm', 'gf·cm', 'gf-cm', 'g-cm', 'gcm', 'g.cm', 'cm-g', 'cm.gf'),
  unit('dyn.cm', 'dyn·cm', '0.0000001', 'dyncm', 'dyn.cm', 'dyn·cm', 'dyn-cm', 'dyne-cm'),
];

/** In place of a unit: that which each value comes with. */
export const NAMED_UNIT = 'named';

const byUcum = new Map(TORQUE_UNITS.map((entry) => [entry.ucum, entry]));
const bySpelling = new Map(TORQUE_UNITS.flatMap((entry) => entry.spellings.map((spelling) => [spelling, entry] as const)));

/** @throws TorsiondError UNIT_UNKNOWN when the code is not a torque unit of the table. */
export function torqueUnit(ucum: string): TorqueUnit {
  const found = byUcum.get(ucum);
  if (!found) throw new TorsiondError('UNIT_UNKNOWN', `"${ucum}" is not a torque unit; known are ${[...byUcum.keys()].join(', ')}`);
  return found;
}

/**
 * The unit that an instrument's line spells, or null. Case and spaces do not matter, but for a leading capital M, which
 * is mega to one writer and milli to the other: a factor of a thousand million is not guessed. `J` is energy.
 */
export function unitFromSpelling(text: string): TorqueUnit | null {
  if (/^\s*MN/.test(text)) return null;
  const spelling = text.replace(/\s+/g, '').toLowerCase();
  return byUcum.get(text.trim()) ?? bySpelling.get(spelling) ?? null;
}

/** Converts through newton metres. From a unit to itself the value is returned unchanged, bit for bit. */
export function convertTorque(value: number, from: string, to: string): number {
  if (from === to) return value;
  return (value * torqueUnit(from).newtonMetres) / torqueUnit(to).newtonMetres;
}
