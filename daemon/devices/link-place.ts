import { absenceHint, deviceLabel } from '../../drivers/links/device-choice.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { LinkSettings } from '../settings/schema.ts';
import { isPageLink, portAbsent } from './browser-ports.ts';

/** What the link is called before it was ever open. */
export function linkPlace({ id, link }: { readonly id: string; readonly link: LinkSettings }): string {
  switch (link.kind) {
    case 'serial': return link.path;
    case 'tcp':
    case 'rfc2217': return `${link.host}:${link.port}`;
    case 'usb': return deviceLabel('USB', link);
    case 'hid': return deviceLabel('HID', link);
    case 'browser': return `the page's port for ${id}`;
    case 'browser-usb': return `${deviceLabel('USB', link)} at a page, for ${id}`;
  }
}

/** What is said while there is no port; null: only that there is none. */
export function linkAbsence(settings: { readonly id: string; readonly link: LinkSettings }): TorsiondError | null {
  const { id, link } = settings;
  if (isPageLink(link)) return portAbsent(id, link);
  if (link.kind !== 'usb' && link.kind !== 'hid') return null;
  const where = linkPlace(settings);
  return new TorsiondError('LINK_NOT_FOUND', 'no such device is plugged in', { where, hint: absenceHint(where) });
}
