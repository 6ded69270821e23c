/** Two owners of one USB or HID device. Settings may mean the same device in different words. */
import type { LinkSettings } from './schema.ts';

export type DeviceClaim = Extract<LinkSettings, { kind: 'usb' | 'hid' }>;

/** Whether both may mean one device, so that which of them gets it would be chance. */
export function mayBeSameDevice(a: DeviceClaim, b: DeviceClaim): boolean {
  const differs = (one: string | undefined, other: string | undefined): boolean => one !== undefined && other !== undefined && one !== other;
  if (a.vendorId.toLowerCase() !== b.vendorId.toLowerCase() || a.productId.toLowerCase() !== b.productId.toLowerCase()) return false;
  if (differs(a.serialNumber, b.serialNumber) || differs(a.place, b.place)) return false;
  // One device may have interfaces or collections for two links.
  if (a.kind === 'usb' && b.kind === 'usb') return a.interface === undefined || b.interface === undefined || a.interface === b.interface;
  if (a.kind === 'hid' && b.kind === 'hid') return a.usagePage === undefined || b.usagePage === undefined || (a.usagePage === b.usagePage && a.usage === b.usage);
  return false;
}
