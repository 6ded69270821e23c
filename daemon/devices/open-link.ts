/** The link that the settings of an instrument describe. */
import type { OpenLink } from '../../drivers/links/link.ts';
import { systemDeviceSources, type DeviceSources } from '../../drivers/links/device-sources.ts';
import { openHidLink } from '../../drivers/links/hid-link.ts';
import { openRfc2217Link } from '../../drivers/links/rfc2217-link.ts';
import { openSerialLink } from '../../drivers/links/serial-link.ts';
import { openTcpLink } from '../../drivers/links/tcp-link.ts';
import { openUsbLink } from '../../drivers/links/usb-link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { LinkSettings } from '../settings/schema.ts';
import { isPageLink, type BrowserPorts } from './browser-ports.ts';

/** Whose link it is, and where pages bring their ports: for kinds `browser` and `browser-usb` only. */
export interface LinkOwner {
  readonly id: string;
  readonly ports: BrowserPorts;
}

export function linkOpener(link: LinkSettings, owner: LinkOwner | null = null, sources: DeviceSources = systemDeviceSources): OpenLink {
  if (isPageLink(link) && owner) return owner.ports.opener(owner.id, link);
  return async (context) => {
    switch (link.kind) {
      case 'serial': return openSerialLink(link, context);
      case 'tcp': return openTcpLink(link, context);
      case 'rfc2217': return openRfc2217Link(link, context);
      case 'usb': return openUsbLink(link, await sources.usb(), context);
      case 'hid': return openHidLink(link, await sources.hid(), context);
      case 'browser':
      case 'browser-usb': throw new TorsiondError('LINK_REFUSED', 'a port at a page is reached through the running gateway only', {
        where: 'link.kind', hint: 'Start the gateway and open its page; "torsiond record" then goes through it.',
      });
    }
  };
}
