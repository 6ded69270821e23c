/** Settings of an instrument whose transducers are to describe themselves, filled from what its driver read. */
import type { DataSheetImage } from '../../drivers/api.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import { transducerFromDevice } from '../settings/teds-fill.ts';

export interface FilledSettings {
  /** The same object where nothing is to be read. */
  readonly settings: InstrumentSettings;
  /** What was not decoded and can be done without. */
  readonly remark: TorsiondError | null;
}

/** @throws TorsiondError of a data sheet that does not serve, DEVICE_MISMATCH, SETTINGS_INVALID when none was read */
export function fillFromDevice(settings: InstrumentSettings, sheets: readonly DataSheetImage[], where: string): FilledSettings {
  if (settings.channels.every(({ transducer }) => transducer.teds?.from === undefined)) return { settings, remark: null };
  let remark: TorsiondError | null = null;
  const channels = settings.channels.map((channel, i) => {
    if (channel.transducer.teds?.from === undefined) return channel;
    const sheet = sheets.find((one) => one.channel === i);
    if (sheet === undefined) {
      throw new TorsiondError('SETTINGS_INVALID', `the data sheet of channel ${i + 1} is to come from the device, and the driver read none`, {
        where: `${settings.id}.channels`, hint: 'Say in driver.options.commands.teds how the device is asked for it.',
      });
    }
    const filled = transducerFromDevice(channel, sheet.bytes, where);
    remark ??= filled.remark;
    return { ...channel, transducer: filled.transducer };
  });
  return { settings: { ...settings, channels }, remark };
}
