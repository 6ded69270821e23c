/** Fills settings of transducers from their electronic data sheets, before the settings are checked. What is given by hand stays. */
import { decodeTeds, type Teds } from '../../drivers/teds/decode.ts';
import { transducerFromTeds } from '../../drivers/teds/transducer.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { TedsSettings } from '../../shared/transducer.ts';
import { TORQUE_UNITS, convertTorque } from '../../shared/units.ts';
import type { Finding } from './check-settings.ts';
import type { SettingsPath } from './settings-fault.ts';

type Fields = Readonly<Record<string, unknown>>;

/** @param input what the file holds, checked or not. @returns a changed copy of it, and what is wrong with data sheets */
export function fillFromTeds(input: unknown): { readonly input: unknown; readonly findings: readonly Finding[] } {
  const findings: Finding[] = [];
  if (!isFields(input) || !Array.isArray(input.instruments)) return { input, findings };
  const instruments = input.instruments.map((instrument: unknown, i) => {
    if (!isFields(instrument) || !Array.isArray(instrument.channels)) return instrument;
    const channels = instrument.channels.map((channel: unknown, j) => {
      if (!isFields(channel) || !isFields(channel.transducer)) return channel;
      const teds = TedsSettings.safeParse(channel.transducer.teds).data;
      if (teds === undefined) return channel;
      try {
        return { ...channel, transducer: filled(channel.transducer, decodeTeds(bytesOf(teds.data), teds), unitOf(channel)) };
      } catch (thrown) {
        if (!(thrown instanceof TorsiondError)) throw thrown;
        const path: SettingsPath = ['instruments', i, 'channels', j, 'transducer', 'teds'];
        findings.push({ code: thrown.code, path, concernsKey: true, message: thrown.message });
        return channel;
      }
    });
    return { ...instrument, channels };
  });
  return { input: { ...input, instruments }, findings };
}

/** @throws TorsiondError TEDS_NOT_TORQUE when the data sheet lacks what the settings lack */
function filled(given: Fields, teds: Teds, unit: string): Fields {
  // Where only the basic part could be read, its serial number still serves beside a capacity given by hand.
  if (teds.template === null && given.capacity !== undefined) return { serialNumber: String(teds.serialNumber), ...given };
  const { serialNumber, capacity, bridge, calibration } = transducerFromTeds(teds);
  const capacityInUnit = convertTorque(capacity, 'N.m', unit);
  // A calibration given by hand is a newer one than the data sheet's, whose due day says nothing about it.
  const byHand = isFields(given.calibration) ? given.calibration : {};
  const dates = byHand.date === undefined ? calibration : {};
  return {
    serialNumber, capacity: capacityInUnit, bridge: { ratedTorque: capacityInUnit, ...bridge },
    ...given,
    calibration: given.calibration === undefined || isFields(given.calibration) ? { ...dates, ...byHand } : given.calibration,
  };
}

function bytesOf(text: string): Uint8Array {
  const compact = text.replace(/\s+/g, '');
  if (/^(?:[0-9a-f]{2})+$/i.test(compact)) return Buffer.from(compact, 'hex');
  if (/^(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?$/.test(compact)) return Buffer.from(compact, 'base64');
  throw new TorsiondError('TEDS_FORMAT', 'the bytes are written neither in hexadecimal nor in base64');
}

/** The unit of the channel; one that does not exist is told elsewhere. */
function unitOf(channel: Fields): string {
  return TORQUE_UNITS.find((unit) => unit.ucum === channel.unit)?.ucum ?? 'N.m';
}

function isFields(value: unknown): value is Fields {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
