/** What an instrument shows of a torque: a torque in its unit, the signal of the bridge, or counts of its converter. */
import type { SimulatedChannel } from '../scenarios/schema.ts';
import { unitsPerNewtonMetre } from './units.ts';
import type { ShownScale } from './virtual-instrument.ts';

export function shownScale({ unit, transducer: { capacityNm, bridge } }: SimulatedChannel): ShownScale {
  if (unit !== 'mV/V' && unit !== '{count}') return { factor: unitsPerNewtonMetre(unit), offset: 0 };
  const { sensitivity, zeroBalance, amplifier } = bridge!;
  const perMillivolt = unit === '{count}' ? amplifier.fullScaleCounts / amplifier.fullScale : 1;
  return { factor: (sensitivity / capacityNm) * perMillivolt, offset: zeroBalance * perMillivolt };
}
