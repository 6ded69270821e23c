/**
 * Fills settings of transducers from their electronic data sheets: before the settings are checked from bytes in the file, and at
 * each connection from what the device handed out. What is given by hand stays.
 */
import { decodeTeds, type Teds } from '../../drivers/teds/decode.ts';
import { tedsBytes } from '../../drivers/teds/text.ts';
import { transducerFromTeds } from '../../drivers/teds/transducer.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { TedsSettings, TransducerSettings, UNREAD_CAPACITY, UNREAD_SERIAL_NUMBER } from '../../shared/transducer.ts';
import { TORQUE_UNITS, convertTorque } from '../../shared/units.ts';
import type { Finding } from './check-settings.ts';
import type { ChannelSettings } from './schema.ts';
import type { SettingsPath } from './settings-fault.ts';

type Fields = Readonly<Record<string, unknown>>;

/** Capacities that differ by more than this part belong to different transducers. */
const CAPACITY_TOLERANCE = 0.01;

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
      if (teds.data === undefined) return { ...channel, transducer: { serialNumber: UNREAD_SERIAL_NUMBER, capacity: UNREAD_CAPACITY, ...channel.transducer } };
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

/**
 * The transducer of a channel, filled from the data sheet that the device handed out. `remark`: what was not decoded, where
 * the settings do without it.
 * @throws TorsiondError TEDS_CHECKSUM, TEDS_FORMAT, TEDS_NOT_TORQUE when the channel cannot do without it, DEVICE_MISMATCH when the
 * settings name another transducer
 */
export function transducerFromDevice(channel: ChannelSettings, bytes: Uint8Array, where: string): { readonly transducer: TransducerSettings; readonly remark: TorsiondError | null } {
  const { serialNumber, capacity: givenCapacity, ...given } = channel.transducer;
  const isCapacityUnread = givenCapacity === UNREAD_CAPACITY;
  const sheet = readSheet(bytes, given.teds!.paged, where);
  const found = String(sheet.serialNumber);
  if (serialNumber !== UNREAD_SERIAL_NUMBER && serialNumber.trim() !== found) {
    throw new TorsiondError('DEVICE_MISMATCH', `the settings want the transducer "${serialNumber}", its data sheet says "${found}"`, { where, hint: 'Connect the right transducer, or change its serialNumber in the settings; left out there, any transducer is taken.' });
  }
  const needsBridge = channel.signal.kind !== 'torque' && given.bridge === undefined;
  if (sheet.template === null) {
    const remark = new TorsiondError('TEDS_NOT_TORQUE', `the data sheet of transducer ${found} was not decoded${sheet.remark === null ? '' : `: ${sheet.remark}`}`, { where });
    if (needsBridge || isCapacityUnread) throw remark;
    return { transducer: { ...given, capacity: givenCapacity, serialNumber: found }, remark };
  }
  const says = named(where, () => transducerFromTeds(sheet));
  const capacity = convertTorque(says.capacity, 'N.m', channel.unit);
  if (!isCapacityUnread && Math.abs(capacity - givenCapacity) > CAPACITY_TOLERANCE * givenCapacity) {
    throw new TorsiondError('DEVICE_MISMATCH', `the settings want a capacity of ${givenCapacity} ${channel.unit}, the data sheet says ${capacity}`, { where, hint: 'Connect the right transducer, or change its capacity in the settings; left out there, any is taken.' });
  }
  return { transducer: TransducerSettings.parse(filled(isCapacityUnread ? given : { ...given, capacity: givenCapacity }, sheet, channel.unit)), remark: null };
}

function readSheet(bytes: Uint8Array, paged: boolean, where: string): Teds {
  return named(where, () => decodeTeds(bytes, { paged }));
}

/** What the decoder throws does not say which device it is about. */
function named<Result>(where: string, decode: () => Result): Result {
  try {
    return decode();
  } catch (thrown) {
    if (thrown instanceof TorsiondError) throw new TorsiondError(thrown.code, `the data sheet that the device handed out: ${thrown.message}`, { where, cause: thrown });
    throw thrown;
  }
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
  const bytes = tedsBytes(text);
  if (bytes === null) throw new TorsiondError('TEDS_FORMAT', 'the bytes are written neither in hexadecimal nor in base64');
  return bytes;
}

/** The unit of the channel; one that does not exist is told elsewhere. */
function unitOf(channel: Fields): string {
  return TORQUE_UNITS.find((unit) => unit.ucum === channel.unit)?.ucum ?? 'N.m';
}

function isFields(value: unknown): value is Fields {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
