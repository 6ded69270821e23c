/** Simulated USB and HID devices for tests: what the gateway's links find in place of the machine's own devices. */
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { LinkSettings } from '../../daemon/settings/schema.ts';
import { isWanted } from '../../drivers/links/device-choice.ts';
import type { DeviceSources } from '../../drivers/links/device-sources.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import { HidBus, openHidPort, openUsbPort, UsbBus, type HidPort, type SimulatedPort, type UsbPort } from '../../simulator/index.ts';

export interface UsbBench {
  readonly sources: DeviceSources;
  /** A device plugged into a socket of its own; `link` is what the settings say of it. */
  plug(kind: 'usb', serialNumber: string): { readonly port: UsbPort; readonly link: object };
  plug(kind: 'hid', serialNumber: string): { readonly port: HidPort; readonly link: object };
  plug(kind: 'usb' | 'hid', serialNumber: string): { readonly port: SimulatedPort; readonly link: object };
  open(link: object): OpenLink;
  /** For `createInstrumentSet` and `createInstrument`. */
  stamp(link: LinkSettings): Promise<string | null>;
}

export function usbBench(): UsbBench {
  const usb = new UsbBus();
  const hid = new HidBus();
  const sources: DeviceSources = { usb: () => Promise.resolve(usb), hid: () => Promise.resolve(hid) };
  let sockets = 0;
  /** A device that is plugged in again is another object. */
  const numbers = new WeakMap<object, number>();
  let devices = 0;
  const numberOf = (device: object): number => {
    if (!numbers.has(device)) numbers.set(device, ++devices);
    return numbers.get(device)!;
  };
  const plug = (kind: 'usb' | 'hid', serialNumber: string): { port: UsbPort | HidPort; link: object } => {
    const place = `1-${++sockets}`;
    return kind === 'usb'
      ? { port: openUsbPort({ bus: usb, serialNumber, place }), link: { kind, vendorId: '1209', productId: '0001', serialNumber } }
      : { port: openHidPort({ bus: hid, serialNumber, place }), link: { kind, vendorId: '1209', productId: '0002', serialNumber, payload: { offset: 1, lengthByte: 0 }, output: { offset: 1, lengthByte: 0 } } };
  };
  return {
    sources, plug: plug as UsbBench['plug'],
    open: (link) => linkOpener(LinkSettings.parse(link), null, sources),
    stamp: async (link) => {
      if (link.kind !== 'usb' && link.kind !== 'hid') return 'there';
      const found = link.kind === 'usb'
        ? (await usb.getDevices()).filter((device) => isWanted({ ...device, vendorId: device.vendorId, productId: device.productId, serialNumber: device.serialNumber, place: usb.placeOf(device) }, link)).map(numberOf)
        : (await hid.devices()).filter((device) => isWanted({ ...device, place: null }, { ...link, place: undefined })).map(({ path }) => path);
      return found.length === 0 ? null : found.join(' ');
    },
  };
}
