/** The link that the settings of an instrument describe. */
import type { OpenLink } from '../../drivers/links/link.ts';
import { openSerialLink } from '../../drivers/links/serial-link.ts';
import { openTcpLink } from '../../drivers/links/tcp-link.ts';
import type { LinkSettings } from '../settings/schema.ts';

export function linkOpener(link: LinkSettings): OpenLink {
  return (context) => (link.kind === 'serial' ? openSerialLink(link, context) : openTcpLink(link, context));
}
