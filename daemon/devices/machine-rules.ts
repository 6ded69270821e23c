/** The rules of an instrument's life: those of all, and what its kind of link changes. */
import type { TorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import { isPageLink } from './browser-ports.ts';
import { ADDRESS_MAX_BACK_OFF_MS, DEFAULT_RULES, type MachineRules } from './instrument-machine.ts';
import { linkAbsence, linkPlace } from './link-place.ts';

/**
 * @param settingsFault what a person must correct before anything is opened
 * @param hasDeviceList whether this machine can tell which USB and HID devices are plugged in
 */
export function machineRules(settings: InstrumentSettings, settingsFault: TorsiondError | null, hasDeviceList: boolean): MachineRules {
  const { link, silenceMs } = settings;
  const hasPortList = link.kind === 'serial' || isPageLink(link) || ((link.kind === 'usb' || link.kind === 'hid') && hasDeviceList);
  const absence = linkAbsence(settings);
  return {
    ...DEFAULT_RULES,
    ...(hasPortList ? {} : { maxBackOffMs: ADDRESS_MAX_BACK_OFF_MS }),
    hasPortList, settingsFault, silenceMs,
    where: linkPlace(settings),
    ...(absence === null ? {} : { absence }),
  };
}
