/** The link that the settings of an instrument describe. */
import type { OpenLink } from '../../drivers/links/link.ts';
import { openRfc2217Link } from '../../drivers/links/rfc2217-link.ts';
import { openSerialLink } from '../../drivers/links/serial-link.ts';
import { openTcpLink } from '../../drivers/links/tcp-link.ts';
import type { LinkSettings } from '../settings/schema.ts';

export function linkOpener(link: LinkSettings): OpenLink {
  return (context) => {
    switch (link.kind) {
      case 'serial': return openSerialLink(link, context);
      case 'tcp': return openTcpLink(link, context);
      case 'rfc2217': return openRfc2217Link(link, context);
    }
  };
}
