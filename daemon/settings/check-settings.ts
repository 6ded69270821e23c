/** What the schema alone cannot see: drivers and their options, rates, limits beyond the transducer, two owners of one port. */
import type * as z from 'zod';
import type { DriverDefinition } from '../../drivers/api.ts';
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { ErrorCode } from '../../shared/error-table.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import { capacityNm } from '../../shared/transducer.ts';
import { convertTorque } from '../../shared/units.ts';
import { isLoopback, isOrigin, listedHostName } from './addresses.ts';
import { reachFault } from './calibration-reach.ts';
import { describe, firstLine, issueExplainer, nearest } from './explain-issue.ts';
import { mayBeSameDevice, type DeviceClaim } from './device-claims.ts';
import { driverRate } from './driver-rate.ts';
import { ChannelSettings, InstrumentSettings, LinkSettings, ServerSettings } from './schema.ts';
import type { SettingsPath } from './settings-fault.ts';
import { deviceUnitFault } from './unit-check.ts';

/** A fault that still needs its place in the file. */
export interface Finding {
  readonly code: ErrorCode;
  readonly path: SettingsPath;
  readonly concernsKey: boolean;
  readonly message: string;
}

/** The parts of the gateway that know more than the schema. */
export interface SettingsChecks {
  findDriver(id: string): DriverDefinition | undefined;
  /** Of all drivers, those from outside included. */
  driverIds(): readonly string[];
  /** What is wrong with the drivers that these settings list. */
  readonly driverFaults: readonly Finding[];
  /** What speaks against capture settings; `rateHz` in S/s, null when it is not declared; `capacityNm` in N.m. */
  checkCapture(settings: CaptureSettings, rateHz: number | null, capacityNm: number): readonly TorsiondError[];
}

/** The settings as far as they fit the schema: a fault in one place does not hide those in another. Null: does not fit. */
export interface SettingsParts {
  readonly server: ServerSettings | null;
  readonly instruments: readonly InstrumentParts[];
}

interface InstrumentParts {
  /** As in the file, for messages. */
  readonly id: string;
  /** Path of the serial port that it takes, or null. */
  readonly port: string | null;
  /** USB or HID device that it takes, or null. */
  readonly device: DeviceClaim | null;
  readonly driver: InstrumentSettings['driver'] | null;
  /** Null: not a list. */
  readonly channels: readonly (ChannelSettings | null)[] | null;
}

/** @param input what the file holds, checked or not */
export function settingsParts(input: unknown): SettingsParts {
  const { server, instruments } = asRecord(input);
  return {
    server: ServerSettings.safeParse(server ?? {}).data ?? null,
    instruments: (Array.isArray(instruments) ? instruments : []).map((entry: unknown): InstrumentParts => {
      const { id, enabled, link, driver, channels } = asRecord(entry);
      const fitting = LinkSettings.safeParse(link).data;
      return {
        id: typeof id === 'string' ? id : '?',
        port: fitting?.kind === 'serial' && enabled !== false ? fitting.path : null,
        device: (fitting?.kind === 'usb' || fitting?.kind === 'hid') && enabled !== false ? fitting : null,
        driver: InstrumentSettings.shape.driver.safeParse(driver).data ?? null,
        channels: Array.isArray(channels) ? channels.map((channel) => ChannelSettings.safeParse(channel).data ?? null) : null,
      };
    }),
  };
}

function asRecord(value: unknown): Readonly<Record<string, unknown>> {
  return typeof value === 'object' && value !== null ? value as Record<string, unknown> : {};
}

export function checkSettings(parts: SettingsParts, checks: SettingsChecks): readonly Finding[] {
  const findings: Finding[] = [...checks.driverFaults, ...(parts.server === null ? [] : checkServer(parts.server))];
  const portOwners = new Map<string, string>();
  parts.instruments.forEach((instrument, i) => {
    const at: SettingsPath = ['instruments', i];
    if (instrument.port !== null) {
      const owner = portOwners.get(instrument.port);
      if (owner !== undefined) findings.push(found([...at, 'link', 'path'], `instrument "${owner}" has this port already; a port has one owner`));
      portOwners.set(instrument.port, instrument.id);
    }
    const { device } = instrument;
    const rival = device === null ? undefined : parts.instruments.slice(0, i).find((other) => other.device !== null && mayBeSameDevice(other.device, device));
    if (rival) findings.push(found([...at, 'link'], `may mean the same device as instrument "${rival.id}"; a device has one owner, so give each its serialNumber or place`, true));
    if (instrument.driver !== null) findings.push(...checkDriver(instrument.driver, instrument.channels, at, checks));
    const madeHz = rateOf(instrument.driver, checks);
    instrument.channels?.forEach((channel, j) => {
      if (channel !== null) findings.push(...checkChannel(channel, [...at, 'channels', j], checks, madeHz));
    });
  });
  return findings;
}

function found(path: SettingsPath, message: string, concernsKey = false): Finding {
  return { code: 'SETTINGS_INVALID', path, concernsKey, message };
}

function checkServer(server: ServerSettings): Finding[] {
  const findings: Finding[] = [];
  if (!isLoopback(server.host) && !server.remote) {
    findings.push(found(['server', 'host'], `"${server.host}" can be reached by other machines; allowed is 127.0.0.1, or this address together with remote: true`));
  }
  server.allowedHosts.forEach((entry, i) => {
    if (listedHostName(entry) === null) findings.push(found(['server', 'allowedHosts', i], `is ${describe(entry)}; allowed is a host name or an address, without scheme and path`));
  });
  server.allowedOrigins.forEach((entry, i) => {
    if (!isOrigin(entry)) findings.push(found(['server', 'allowedOrigins', i], `is ${describe(entry)}; allowed is scheme://host or scheme://host:port, in lower case, without a path`));
  });
  return findings;
}

function checkDriver(
  settings: InstrumentSettings['driver'], channels: InstrumentParts['channels'], at: SettingsPath, checks: SettingsChecks,
): readonly Finding[] {
  const driver = checks.findDriver(settings.id);
  if (!driver) {
    const known = checks.driverIds();
    const near = nearest(settings.id, known);
    const meant = near !== null ? `did you mean "${near}"? ` : checks.driverFaults.length === 0 ? '' : 'it may be one of those in "drivers" that cannot be used; ';
    return [{
      code: 'DRIVER_UNKNOWN', path: [...at, 'driver', 'id'], concernsKey: false,
      message: `there is no driver "${settings.id}"; ${meant}known are ${known.join(', ')}`,
    }];
  }
  try {
    return checkOptions(driver, settings, channels, at);
  } catch (thrown) {
    const message = `the driver ${driver.id} fails while its options are checked: ${firstLine(thrown)}`;
    return [{ code: 'DRIVER_FAILED', path: [...at, 'driver', 'id'], concernsKey: false, message }];
  }
}

/** @throws whatever a driver from outside throws */
function checkOptions(
  driver: DriverDefinition, settings: InstrumentSettings['driver'], channels: InstrumentParts['channels'], at: SettingsPath,
): readonly Finding[] {
  const schema: z.ZodType = driver.optionsSchema;
  const parsed = schema.safeParse(settings.options);
  if (!parsed.success) {
    const explainer = issueExplainer(schema);
    return parsed.error.issues.flatMap((issue) => explainer.explain(issue, settings.options)).map((explained) => ({
      code: 'SETTINGS_INVALID', path: [...at, 'driver', 'options', ...explained.path], concernsKey: explained.concernsKey, message: explained.message,
    }));
  }
  const count = driver.channelCount(parsed.data);
  const taken = driver.capabilities.sendsCounts ? channels ?? [] : [];
  const findings = taken.flatMap((channel, i) => (channel === null || channel.signal.kind === 'counts' || channel.signal.kind === 'converter' ? [] : [
    found([...at, 'channels', i, 'signal'], `is ${channel.signal.kind}, but the driver ${driver.id} gives counts; allowed are the kinds counts and converter`),
  ]));
  const sheets = driver.dataSheetChannels?.(parsed.data);
  channels?.forEach((channel, i) => {
    if (channel?.transducer.teds?.from === undefined || sheets === undefined || sheets.includes(i)) return;
    const asked = sheets.length === 0 ? 'needed is commands.teds in the options, which ascii-lines, scpi, raw-counts and framed-binary have' : `its options name channel ${sheets.map((one) => one + 1).join(' and ')}`;
    findings.push(found([...at, 'channels', i, 'transducer', 'teds', 'from'], `is device, but the driver ${driver.id} does not ask for the data sheet of this channel; ${asked}`));
  });
  findings.push(...checkDeviceZero(driver, channels, at));
  // An empty list is told by the schema.
  if (channels === null || channels.length === 0 || count === channels.length) return findings;
  return [...findings, {
    code: 'SETTINGS_INVALID', path: [...at, 'channels'], concernsKey: true,
    message: `has ${channels.length} of them, but the options of driver ${driver.id} describe ${count}; one entry per channel is needed`,
  }];
}

/** A device zeroes all of its channels at once. */
function checkDeviceZero(driver: DriverDefinition, channels: InstrumentParts['channels'], at: SettingsPath): readonly Finding[] {
  const isOfDevice = (channel: ChannelSettings | null): boolean => channel !== null && channel.zero.kind !== 'fixed' && channel.zero.device === true;
  if (!channels?.some(isOfDevice)) return [];
  return channels.flatMap((channel, i) => {
    if (channel === null) return [];
    const zeroAt: SettingsPath = [...at, 'channels', i, 'zero'];
    if (!isOfDevice(channel)) return [found([...zeroAt.slice(0, -1)], 'has no zero.device, but another channel of the instrument has it; a device zeroes all of its channels at once', true)];
    return driver.capabilities.commands.includes('zero') ? [] : [found([...zeroAt, 'device'], `is true, but the driver ${driver.id} has no command that zeroes the device; allowed is false`)];
  });
}

function rateOf(settings: InstrumentSettings['driver'] | null, checks: SettingsChecks): number | null {
  const driver = settings === null ? undefined : checks.findDriver(settings.id);
  const schema: z.ZodType | undefined = driver?.optionsSchema;
  try {
    const parsed = schema?.safeParse(settings?.options);
    return parsed?.success ? driverRate(driver, parsed.data) : null;
  } catch {
    // Told where the options are checked.
    return null;
  }
}

/** The setting that a fault of the capture settings is about. */
function faultySetting(error: TorsiondError, capture: CaptureSettings): readonly string[] {
  if (error.where !== null && error.where.split('.')[0]! in capture) return error.where.split('.');
  if (error.code === 'LIMITS_INVALID') return ['limits'];
  if (error.code === 'RATE_TOO_LOW') return capture.filter.kind === 'none' ? ['mode'] : ['filter'];
  return ['detector'];
}

/** @param madeHz rate that the driver makes, S/s, or null */
function checkChannel(channel: ChannelSettings, at: SettingsPath, checks: SettingsChecks, madeHz: number | null): readonly Finding[] {
  const findings: Finding[] = [];
  if (madeHz !== null && channel.sampleRateHz !== undefined && channel.sampleRateHz !== madeHz) {
    findings.push(found([...at, 'sampleRateHz'], `is ${channel.sampleRateHz}, but the driver asks ${madeHz} times a second; allowed is that, or nothing`));
  }
  const { capture, transducer } = channel;
  if (transducer.lowestTorque !== undefined && convertTorque(transducer.lowestTorque, channel.unit, 'N.m') >= capacityNm(transducer, channel.unit)) {
    findings.push(found([...at, 'transducer', 'lowestTorque'], `is ${transducer.lowestTorque}; below the capacity of ${transducer.capacity} is allowed`));
  }
  if (channel.signal.kind !== 'torque' && transducer.bridge === undefined && transducer.teds?.from === undefined) {
    findings.push(found([...at, 'transducer'], `has no bridge; it is needed to turn ${channel.signal.kind} into torque`, true));
  }
  const deviceUnit = deviceUnitFault(channel);
  if (deviceUnit !== null) findings.push(found([...at, 'deviceUnit'], deviceUnit));
  const reach = reachFault(channel);
  if (reach !== null) findings.push(found([...at, 'transducer', 'calibration', 'curve'], reach, true));
  const { date, due } = transducer.calibration;
  if (date !== undefined && due !== undefined && due <= date) {
    findings.push(found([...at, 'transducer', 'calibration', 'due'], `is ${due}; a day after the calibration on ${date} is allowed`));
  }
  for (const error of checks.checkCapture(capture, channel.sampleRateHz ?? madeHz, capacityNm(transducer, channel.unit))) {
    findings.push({ code: error.code, path: [...at, 'capture', ...faultySetting(error, capture)], concernsKey: false, message: error.message });
  }
  return findings;
}
