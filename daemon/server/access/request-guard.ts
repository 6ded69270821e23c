import type { IncomingMessage } from 'node:http';
import type { HostList } from './host-list.ts';
import type { OriginKind, OriginList } from './origin-list.ts';

/** Looks at every request before anything else does, upgrades included. */
export class RequestGuard {
  readonly #hosts: HostList;
  readonly #origins: OriginList;

  constructor(hosts: HostList, origins: OriginList) {
    this.#hosts = hosts;
    this.#origins = origins;
  }

  /** @throws TorsiondError ACCESS_HOST, ACCESS_ORIGIN */
  check(request: IncomingMessage): OriginKind {
    this.#hosts.check(headerValues(request, 'host'));
    const origins = headerValues(request, 'origin');
    return this.#origins.check(origins.length > 1 ? origins.join(', ') : origins[0]);
  }
}

/** Every value of a header as sent: Node keeps only the first of a repeated Host. */
function headerValues(request: IncomingMessage, name: string): string[] {
  const values: string[] = [];
  for (let i = 0; i + 1 < request.rawHeaders.length; i += 2) {
    if (request.rawHeaders[i]!.toLowerCase() === name) values.push(request.rawHeaders[i + 1]!);
  }
  return values;
}
