import type { LinkSettings } from '../settings/schema.ts';

/** What a link leads to, as a person recognises it. */
export function linkPlace({ id, link }: { readonly id: string; readonly link: LinkSettings }): string {
  switch (link.kind) {
    case 'serial': return link.path;
    case 'tcp':
    case 'rfc2217': return `${link.host}:${link.port}`;
    case 'browser': return `the page's port for ${id}`;
  }
}
