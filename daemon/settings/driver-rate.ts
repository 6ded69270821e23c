import type { DriverDefinition } from '../../drivers/api.ts';

/** Samples per second that the driver makes with these options, which its schema has taken; null: the device decides, or nobody knows. */
export function driverRate(driver: DriverDefinition | null | undefined, options: unknown): number | null {
  try {
    const rateHz = driver?.sampleRateHz?.(options) ?? null;
    return rateHz !== null && rateHz > 0 && Number.isFinite(rateHz) ? rateHz : null;
  } catch {
    // A rate is a help, no need: it is measured then.
    return null;
  }
}
