import { TorsiondError } from '../../../shared/errors.ts';
import { isOrigin } from '../../settings/addresses.ts';

/** Where a request comes from: a page of the daemon itself, a page named in the settings, or no page at all. */
export type OriginKind = 'own' | 'listed' | 'none';

/** Longest part of a refused origin that a message repeats. */
const SHOWN = 100;

/**
 * Origins whose pages may use the daemon: compared as a whole, scheme, host and port, never in part.
 * `null` (files, sandboxed frames) is refused.
 */
export class OriginList {
  readonly #hosts: readonly string[];
  readonly #listed: ReadonlySet<string>;
  readonly #port: () => number;

  /**
   * @param hosts names of the daemon, as in HostList
   * @param port the port it listens on, known once it does
   * @throws TorsiondError SETTINGS_INVALID when an allowed origin is not of the form scheme://host[:port]
   */
  constructor(hosts: readonly string[], port: () => number, allowedOrigins: readonly string[]) {
    this.#hosts = hosts;
    this.#port = port;
    for (const origin of allowedOrigins) {
      if (!isOrigin(origin)) {
        throw new TorsiondError('SETTINGS_INVALID', `"${origin}" is not an origin`, {
          where: 'server.allowedOrigins', hint: 'Write it as the browser sends it: scheme://host or scheme://host:port, in lower case, without a path.',
        });
      }
    }
    this.#listed = new Set(allowedOrigins);
  }

  /** @throws TorsiondError ACCESS_ORIGIN naming the value */
  check(origin: string | undefined): OriginKind {
    if (origin === undefined) return 'none';
    if (this.#isOwn(origin)) return 'own';
    if (this.#listed.has(origin)) return 'listed';
    if (origin === 'null') {
      throw new TorsiondError('ACCESS_ORIGIN', 'the origin "null" is never allowed', { hint: 'Serve the page from a web server, not from a file or a sandboxed frame.' });
    }
    const shown = origin.slice(0, SHOWN).replace(/[^\x21-\x7e]/g, '?');
    throw new TorsiondError('ACCESS_ORIGIN', `the origin "${shown}" is not allowed`, {
      where: 'server.allowedOrigins', hint: `Add "${shown}" to server.allowedOrigins in the settings, if it is yours.`,
    });
  }

  #isOwn(origin: string): boolean {
    if (!origin.startsWith('http://')) return false;
    const port = this.#port();
    const authority = origin.slice('http://'.length);
    return this.#hosts.some((host) => authority === `${host}:${port}` || (port === 80 && authority === host));
  }
}
