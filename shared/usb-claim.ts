/** Opens a USB device of the W3C WebUSB shape and takes the interface whose endpoints carry its bytes. */
import { TorsiondError } from './errors.ts';
import { findPipes, type PipesWanted, type UsbPipes } from './usb-pipes.ts';
import type { UsbConfigurationShape, UsbDeviceShape } from './usb-shapes.ts';

export interface UsbClaimWanted extends PipesWanted {
  /** Selected after opening; left out: the one that is selected, or the first. */
  readonly configuration?: number | undefined;
  /** Bytes at the beginning of each packet that are the bridge chip's own and no data. */
  readonly packetHeaderBytes: number;
}

/**
 * @param step does one step of it: `what` is for the error when it fails, and begins with "interface" when that is not to be had
 * @throws TorsiondError LINK_SETTINGS when the settings do not fit what the device has, LINK_OPEN_FAILED; and what `step` throws
 */
export async function claimUsbPipes(device: UsbDeviceShape, wanted: UsbClaimWanted, label: string, step: <Value>(what: string, work: Promise<Value>) => Promise<Value>): Promise<UsbPipes> {
  await step('the device cannot be opened', device.open());
  // A device without rights to it may throw here.
  const read = (): Promise<UsbConfigurationShape | null> => step('what the device has cannot be read', (async () => device.configuration ?? null)());
  const selected = (await read())?.configurationValue;
  const value = wanted.configuration ?? selected ?? 1;
  if (value !== selected) await step(`configuration ${value} cannot be selected`, device.selectConfiguration(value));
  const configuration = await read();
  if (!configuration) throw new TorsiondError('LINK_OPEN_FAILED', 'the device does not say what it has', { where: label });
  const pipes = findPipes(configuration, wanted, label);
  if (wanted.packetHeaderBytes >= pipes.input.packetSize) {
    throw new TorsiondError('LINK_SETTINGS', `packetHeaderBytes is ${wanted.packetHeaderBytes}, but a packet has ${pipes.input.packetSize} bytes`, { where: label });
  }
  await step(`interface ${pipes.interfaceNumber} cannot be had`, device.claimInterface(pipes.interfaceNumber));
  return pipes;
}
