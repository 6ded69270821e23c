import { TorsiondError } from '../../../shared/errors.ts';
import { hostName, listedHostName } from '../../settings/addresses.ts';

const LOOPBACK_NAMES = ['localhost', '127.0.0.1', '[::1]'] as const;

/**
 * The Host names under which the daemon answers. A page that made its own name point at this machine (DNS rebinding)
 * sends that name, and is refused before anything else looks at the request. There is no "all": only names.
 */
export class HostList {
  readonly names: readonly string[];

  /** @throws TorsiondError SETTINGS_INVALID when an entry is no host name */
  constructor(allowedHosts: readonly string[]) {
    this.names = [...LOOPBACK_NAMES, ...allowedHosts.map((entry) => {
      const name = listedHostName(entry);
      if (name === null) {
        throw new TorsiondError('SETTINGS_INVALID', `"${entry}" is not a host name`, { where: 'server.allowedHosts' });
      }
      return name;
    })];
  }

  /**
   * @param values every Host header of the request, as sent
   * @throws TorsiondError ACCESS_HOST naming the value
   */
  check(values: readonly string[]): void {
    if (values.length === 0) throw new TorsiondError('ACCESS_HOST', 'the request names no host', { hint: 'Send a Host header with the name or address of the gateway.' });
    if (values.length > 1) throw new TorsiondError('ACCESS_HOST', 'the request names more than one host', { hint: 'Send one Host header.' });
    const name = hostName(values[0]!);
    if (name === null) throw new TorsiondError('ACCESS_HOST', 'the Host header is not a host name', { hint: 'Send the name or address of the gateway.' });
    if (!this.names.includes(name)) {
      throw new TorsiondError('ACCESS_HOST', `the host name "${name}" is not allowed`, {
        where: 'server.allowedHosts', hint: `Add "${name}" to server.allowedHosts in the settings, if it is yours.`,
      });
    }
  }
}
