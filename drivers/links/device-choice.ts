/** Which of the plugged-in devices the settings mean. A choice between twins is never made by chance. */
import { TorsiondError } from '../../shared/errors.ts';

/** What the settings say of a USB or HID device. */
export interface DeviceWanted {
  /** Four hexadecimal digits. */
  readonly vendorId: string;
  readonly productId: string;
  readonly serialNumber?: string | undefined;
  /** The socket, for example `1-2.3`: tells devices apart that have no serial numbers. */
  readonly place?: string | undefined;
}

export interface DeviceFound {
  readonly vendorId: number;
  readonly productId: number;
  readonly serialNumber: string | null;
  readonly place: string | null;
}

/** How a person recognises it, for example `USB 1209:0001, serial number HF-0042`. */
export function deviceLabel(kind: 'USB' | 'HID', wanted: DeviceWanted): string {
  const { vendorId, productId, serialNumber, place } = wanted;
  return [`${kind} ${vendorId.toLowerCase()}:${productId.toLowerCase()}`, ...(serialNumber === undefined ? [] : [`serial number ${serialNumber}`]),
    ...(place === undefined ? [] : [`in socket ${place}`])].join(', ');
}

export function isWanted(found: DeviceFound, wanted: DeviceWanted): boolean {
  return found.vendorId === Number.parseInt(wanted.vendorId, 16) && found.productId === Number.parseInt(wanted.productId, 16)
    && (wanted.serialNumber === undefined || found.serialNumber === wanted.serialNumber)
    && (wanted.place === undefined || found.place === wanted.place);
}

/**
 * @param label as `deviceLabel` makes it
 * @throws TorsiondError LINK_NOT_FOUND when none fits, with those of the same ids; LINK_AMBIGUOUS when several do
 */
export function chooseDevice<Device extends DeviceFound>(devices: readonly Device[], wanted: DeviceWanted, label: string): Device {
  const fitting = devices.filter((device) => isWanted(device, wanted));
  if (fitting.length === 1) return fitting[0]!;
  if (fitting.length > 1) {
    throw new TorsiondError('LINK_AMBIGUOUS', `${fitting.length} such devices are plugged in: ${fitting.map(distinction).join('; ')}`, { where: label });
  }
  const akin = devices.filter((device) => isWanted(device, { vendorId: wanted.vendorId, productId: wanted.productId }));
  const others = akin.length === 0 ? '' : `; of the same ids there are ${akin.map(distinction).join('; ')}`;
  throw new TorsiondError('LINK_NOT_FOUND', `no such device is plugged in${others}`, { where: label, hint: absenceHint(label) });
}

export function absenceHint(label: string): string {
  return `Looked for ${label}. Plug it in, or run "torsiond ports" to see what is there.`;
}

function distinction({ serialNumber, place }: DeviceFound): string {
  return `${serialNumber === null ? 'one without serial number' : `serial number ${serialNumber}`}${place === null ? '' : ` in socket ${place}`}`;
}
