/** Where USB and HID devices come from: the machine's own through optional packages, or simulated ones. */
import type { HidSource } from './hid-shapes.ts';
import { systemHidSource } from './hid-module.ts';
import { systemUsbSource } from './usb-module.ts';
import type { UsbSource } from '../../shared/usb-shapes.ts';

export interface DeviceSources {
  /** @throws TorsiondError LINK_UNSUPPORTED when there is none */
  usb(): Promise<UsbSource>;
  hid(): Promise<HidSource>;
}

/** One source for all links, so that each knows what the others have open. After a failure the next one tries anew. */
function shared<Source>(make: () => Promise<Source>): () => Promise<Source> {
  let made: Promise<Source> | null = null;
  return () => {
    made ??= make().catch((thrown: unknown) => {
      made = null;
      throw thrown;
    });
    return made;
  };
}

export const systemDeviceSources: DeviceSources = { usb: shared(() => systemUsbSource()), hid: shared(() => systemHidSource()) };
