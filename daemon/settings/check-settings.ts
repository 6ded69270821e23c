/** What the schema alone cannot see: drivers and their options, rates, limits beyond the transducer, two owners of one port. */
import type * as z from 'zod';
import type { DriverDefinition } from '../../drivers/api.ts';
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { ErrorCode } from '../../shared/error-table.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import { convertTorque } from '../../shared/units.ts';
import { issueExplainer, nearest } from './explain-issue.ts';
import type { ChannelSettings, InstrumentSettings, Settings } from './schema.ts';
import type { SettingsPath } from './settings-fault.ts';

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
  driverIds(): readonly string[];
  /** What speaks against capture settings; `rateHz` in S/s, null when it is not declared; `capacityNm` in N.m. */
  checkCapture(settings: CaptureSettings, rateHz: number | null, capacityNm: number): readonly TorsiondError[];
}

const LOOPBACK = /^(localhost|127(\.\d{1,3}){3}|::1|\[::1\])$/i;

export function checkSettings(settings: Settings, checks: SettingsChecks): readonly Finding[] {
  const findings: Finding[] = [];
  const found = (code: ErrorCode, path: SettingsPath, message: string): void => {
    findings.push({ code, path, concernsKey: false, message });
  };

  if (!LOOPBACK.test(settings.server.host) && !settings.server.remote) {
    found('SETTINGS_INVALID', ['server', 'host'],
      `"${settings.server.host}" can be reached by other machines; allowed is 127.0.0.1, or this address together with remote: true`);
  }
  const portOwners = new Map<string, string>();
  settings.instruments.forEach((instrument, i) => {
    const at: SettingsPath = ['instruments', i];
    if (instrument.link.kind === 'serial' && instrument.enabled) {
      const owner = portOwners.get(instrument.link.path);
      if (owner !== undefined) found('SETTINGS_INVALID', [...at, 'link', 'path'], `instrument "${owner}" has this port already; a port has one owner`);
      portOwners.set(instrument.link.path, instrument.id);
    }
    findings.push(...checkDriver(instrument, at, checks));
    instrument.channels.forEach((channel, j) => findings.push(...checkChannel(channel, [...at, 'channels', j], checks)));
  });
  return findings;
}

function checkDriver(instrument: InstrumentSettings, at: SettingsPath, checks: SettingsChecks): readonly Finding[] {
  const driver = checks.findDriver(instrument.driver.id);
  if (!driver) {
    const known = checks.driverIds();
    const near = nearest(instrument.driver.id, known);
    const meant = near === null ? '' : `did you mean "${near}"? `;
    return [{
      code: 'DRIVER_UNKNOWN', path: [...at, 'driver', 'id'], concernsKey: false,
      message: `there is no driver "${instrument.driver.id}"; ${meant}known are ${known.join(', ')}`,
    }];
  }
  const schema: z.ZodType = driver.optionsSchema;
  const parsed = schema.safeParse(instrument.driver.options);
  if (!parsed.success) {
    const explainer = issueExplainer(schema);
    return parsed.error.issues.flatMap((issue) => explainer.explain(issue, instrument.driver.options)).map((explained) => ({
      code: 'SETTINGS_INVALID', path: [...at, 'driver', 'options', ...explained.path], concernsKey: explained.concernsKey, message: explained.message,
    }));
  }
  const count = driver.channelCount(parsed.data);
  if (count === instrument.channels.length) return [];
  return [{
    code: 'SETTINGS_INVALID', path: [...at, 'channels'], concernsKey: true,
    message: `has ${instrument.channels.length} of them, but the options of driver ${driver.id} describe ${count}; one entry per channel is needed`,
  }];
}

/** The setting that a fault of the capture settings is about. */
function faultySetting(error: TorsiondError, capture: CaptureSettings): readonly string[] {
  if (error.where !== null && error.where.split('.')[0]! in capture) return error.where.split('.');
  if (error.code === 'LIMITS_INVALID') return ['limits'];
  if (error.code === 'RATE_TOO_LOW') return capture.filter.kind === 'none' ? ['mode'] : ['filter'];
  return ['detector'];
}

function checkChannel(channel: ChannelSettings, at: SettingsPath, checks: SettingsChecks): readonly Finding[] {
  const findings: Finding[] = [];
  const { capture, transducer } = channel;
  if (transducer.lowestTorque !== undefined && transducer.lowestTorque >= transducer.capacity) {
    findings.push({
      code: 'SETTINGS_INVALID', path: [...at, 'transducer', 'lowestTorque'], concernsKey: false,
      message: `is ${transducer.lowestTorque}; below the capacity of ${transducer.capacity} is allowed`,
    });
  }
  const capacityNm = convertTorque(transducer.capacity, channel.unit, 'N.m');
  for (const error of checks.checkCapture(capture, channel.sampleRateHz ?? null, capacityNm)) {
    findings.push({ code: error.code, path: [...at, 'capture', ...faultySetting(error, capture)], concernsKey: false, message: error.message });
  }
  return findings;
}
