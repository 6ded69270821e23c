/** From a data sheet to the settings of a transducer. */
import { TorsiondError } from '../../shared/errors.ts';
import { torqueUnit } from '../../shared/units.ts';
import { TORQUE_MEASURANDS } from './measurands.ts';
import type { Teds } from './decode.ts';

/** What a data sheet says of a torque transducer, in N.m and mV/V. */
export interface TedsTransducer {
  readonly serialNumber: string;
  /** Larger end of the range, N.m. */
  readonly capacity: number;
  readonly bridge: {
    /** Output at capacity, without the zero balance, mV/V. */
    readonly sensitivity: number;
    /** Output without torque, mV/V. */
    readonly zeroBalance: number;
  };
  readonly calibration: { readonly date: string; readonly due?: string };
}

/** @throws TorsiondError TEDS_NOT_TORQUE when it is another kind of sensor, or its torque was not decoded */
export function transducerFromTeds(teds: Teds): TedsTransducer {
  const { template } = teds;
  if (template === null) throw refused(`no bridge template was decoded${teds.remark === null ? '' : `: ${teds.remark}`}`);
  const { measurand, minPhysical, maxPhysical, minElectrical, maxElectrical } = template;
  const unit = TORQUE_MEASURANDS.get(measurand.code);
  if (unit === undefined) throw refused(`the sensor measures in ${measurand.unit ?? `measurand ${measurand.code}, which is not known`}, not a torque`);
  const span = maxPhysical - minPhysical;
  const rise = maxElectrical - minElectrical;
  if (!(span > 0) || rise === 0) throw refused(`from ${minPhysical} to ${maxPhysical} ${measurand.unit} the output goes from ${minElectrical} to ${maxElectrical} V/V`);
  const range = Math.max(Math.abs(minPhysical), Math.abs(maxPhysical));
  // 1 V/V is 1000 mV/V.
  const sensitivity = ((rise * range) / span) * 1_000;
  return {
    serialNumber: String(teds.serialNumber),
    capacity: range * torqueUnit(unit).newtonMetres,
    bridge: { sensitivity, zeroBalance: (minElectrical - (rise * minPhysical) / span) * 1_000 },
    calibration: teds.calibrationDue === null ? { date: template.calibrationDate } : { date: template.calibrationDate, due: teds.calibrationDue },
  };
}

function refused(what: string): TorsiondError {
  return new TorsiondError('TEDS_NOT_TORQUE', what);
}
