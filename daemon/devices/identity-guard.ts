/** Refuses an instrument that is not the one the settings name, before any of its samples count. */
import type { InstrumentIdentity } from '../../drivers/api.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';

const FIELDS = [['maker', 'maker'], ['model', 'model'], ['serialNumber', 'serial number']] as const;

/**
 * Compares what the settings ask for, field by field, without regard to case and outer spaces. A field that the device
 * leaves empty does not count as agreement.
 * @returns the mismatch, or null when the instrument may stream
 */
export function identityFault(wanted: InstrumentSettings['identity'], found: InstrumentIdentity | null, where: string): TorsiondError | null {
  if (wanted === undefined) return null;
  for (const [field, words] of FIELDS) {
    const want = wanted[field];
    if (want === undefined) continue;
    const have = found?.[field] ?? '';
    if (normal(have) === normal(want)) continue;
    const said = have.trim() === '' ? 'the device does not say' : `the device says "${have.trim()}"`;
    return new TorsiondError('DEVICE_MISMATCH', `the settings want ${words} "${want}", ${said}`, { where });
  }
  return null;
}

const normal = (text: string): string => text.trim().toLowerCase();
