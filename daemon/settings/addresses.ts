/** Host names and origins: what one looks like. Pure; used by the settings file's check and by the guard that compares them. */

const HOST_PATTERN = /^(\[[0-9a-f:.]{2,45}\]|[a-z0-9](?:[a-z0-9._-]{0,251}[a-z0-9])?)(\.?)(?::(\d{1,5}))?$/;
const LOOPBACK_PATTERN = /^(localhost|127(\.\d{1,3}){3}|::1)$/i;

/** Whether only this machine can reach a listen address. */
export function isLoopback(address: string): boolean {
  return LOOPBACK_PATTERN.test(address);
}

/** The name of a Host value in lower case, without port and trailing dot; null when it is no such value. */
export function hostName(value: string): string | null {
  const match = HOST_PATTERN.exec(value.toLowerCase());
  if (!match) return null;
  const [, name, dot, port] = match;
  if (port !== undefined && Number(port) > 65_535) return null;
  // A bracketed address has no trailing dot.
  if (dot !== '' && name!.startsWith('[')) return null;
  return name!;
}

/** An entry of server.allowedHosts as Host values are compared with it: an IPv6 address may stand without brackets. */
export function listedHostName(entry: string): string | null {
  return hostName(entry) ?? hostName(`[${entry}]`);
}

/** Whether it is written as browsers send it: scheme://host or scheme://host:port, in lower case, without a path. */
export function isOrigin(text: string): boolean {
  return URL.canParse(text) && new URL(text).origin === text;
}
