import { UcumLhcUtils } from '@lhncbc/ucum-lhc';
import { describe, expect, it } from 'vitest';
import { TORQUE_UNITS, convertTorque, torqueUnit, unitFromSpelling } from '../../../shared/units.ts';
import vectors from '../../vectors/unit-factors.json' with { type: 'json' };

const ucum = UcumLhcUtils.getInstance();

/** Exact decimal text as a ratio of integers. */
function ratio(text: string): [bigint, bigint] {
  const [whole, decimals = ''] = text.split('.');
  return [BigInt(whole! + decimals), 10n ** BigInt(decimals.length)];
}

describe('torque units', () => {
  it.each(TORQUE_UNITS.map((unit) => [unit.ucum, unit] as const))('%s has the exact factor of its definition', (_code, unit) => {
    // Exact by definition: pound 0.45359237 kg, inch 0.0254 m, foot 0.3048 m, standard gravity 9.80665 m/s2.
    const listed = vectors.units.find((entry) => Number(entry.to_Nm_double) === unit.newtonMetres);
    expect(listed, 'in the table of exact factors').toBeDefined();
    const [a, b] = ratio(unit.exactNewtonMetres);
    const [c, d] = ratio(listed!.to_Nm_exact);
    expect(a * d).toBe(b * c);
  });

  it.each(TORQUE_UNITS.map((unit) => [unit.ucum, unit] as const))('%s converts like an independent UCUM library', (code, unit) => {
    const { status, toVal } = ucum.convertUnitTo(code, 1, 'N.m');
    expect(status).toBe('succeeded');
    expect(Math.abs(toVal! / unit.newtonMetres - 1)).toBeLessThan(1e-12);
  });

  it.each([
    [1, 'N.m', '[lbf_av].[ft_i]', 0.7375621492772654],
    [1, 'N.m', '[lbf_av].[in_i]', 8.850745791327185],
    [1, 'N.m', '[oz_av].[g].[in_i]', 141.61193266123496],
    [1, 'N.m', 'kgf.cm', 10.197162129779283],
    [100, '[lbf_av].[ft_i]', 'N.m', 135.58179483314004],
    [50, '[lbf_av].[in_i]', 'N.m', 5.649241451380835],
    [1, '[lbf_av].[ft_i]', '[lbf_av].[in_i]', 12],
    [1, '[lbf_av].[in_i]', '[oz_av].[g].[in_i]', 16],
  ])('%d %s is the published number of %s', (value, from, to, expected) => {
    expect(Math.abs(convertTorque(value, from, to) / expected - 1)).toBeLessThan(4e-16);
  });

  it('returns a value unchanged in its own unit', () => {
    expect(convertTorque(0.1 + 0.2, 'kgf.cm', 'kgf.cm')).toBe(0.1 + 0.2);
  });

  it('refuses an energy and names what is known', () => {
    expect(() => torqueUnit('J')).toThrow(/"J" is not a torque unit; known are N\.m, /);
  });

  it.each([
    ['Nm', 'N.m'], ['N·m', 'N.m'], [' ft-lb ', '[lbf_av].[ft_i]'], ['in.lbf', '[lbf_av].[in_i]'], ['kgf cm', 'kgf.cm'], ['mN.m', 'mN.m'], ['cNm', 'cN.m'],
  ])('reads the spelling "%s" as %s', (text, code) => {
    expect(unitFromSpelling(text)?.ucum).toBe(code);
  });

  it.each(['J', 'MNm', 'N', 'm', '', 'Nm/s'])('does not take "%s" for a torque unit', (text) => {
    expect(unitFromSpelling(text)).toBeNull();
  });

  it('gives every spelling to one unit only', () => {
    const spellings = TORQUE_UNITS.flatMap((unit) => unit.spellings);
    expect(new Set(spellings).size).toBe(spellings.length);
  });
});
