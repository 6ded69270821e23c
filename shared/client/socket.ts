/** The part of the browsers' WebSocket interface that the client uses; the `ws` package and Node's own have it too. */
import { TorsiondError } from '../errors.ts';
import { STREAM_PATH, SUBPROTOCOL, TOKEN_SUBPROTOCOL_PREFIX } from '../wire/protocol.ts';

export interface SocketLike {
  binaryType: string;
  send(data: string | Uint8Array<ArrayBuffer>): void;
  close(code?: number, reason?: string): void;
  addEventListener(type: 'open', listener: () => void): void;
  addEventListener(type: 'message', listener: (event: { data: unknown }) => void): void;
  addEventListener(type: 'close', listener: (event: { code: number; reason: string }) => void): void;
  addEventListener(type: 'error', listener: (event: { message?: string }) => void): void;
}

/** Browsers ignore the third argument; the `ws` package takes the headers from it. */
export type SocketConstructor = new (url: string, protocols: string[], options?: { headers: Record<string, string> }) => SocketLike;

/** The address of a WebSocket: `http` becomes `ws`, and an address without a path gets this one. */
export function streamUrl(url: string, path = STREAM_PATH): string {
  let parsed: URL;
  try {
    parsed = new URL(url);
  } catch {
    throw new TorsiondError('USAGE', `"${url}" is not an address`, { hint: 'Give the gateway\'s address, for example http://127.0.0.1:7616.' });
  }
  parsed.protocol = parsed.protocol.replace(/^http/, 'ws');
  if (parsed.protocol !== 'ws:' && parsed.protocol !== 'wss:') {
    throw new TorsiondError('USAGE', `"${url}" is no http, https, ws or wss address`, { hint: 'Give the gateway\'s address, for example http://127.0.0.1:7616.' });
  }
  if (parsed.pathname === '/' || parsed.pathname === '') parsed.pathname = path;
  parsed.hash = '';
  return parsed.href;
}

/**
 * Opens attempts. The token never travels in the address, which ends in logs and histories: programs send it in
 * `Authorization`, browsers, which cannot, as a second subprotocol.
 *
 * @param given the class of the `ws` package or one like it; undefined: the runtime's own
 * @throws TorsiondError ACCESS_TOKEN, USAGE
 */
export function socketOpener(given: SocketConstructor | undefined, url: string, token: string, subprotocol = SUBPROTOCOL): () => SocketLike {
  if (!/^[\w.~+/=-]*$/.test(token)) throw new TorsiondError('ACCESS_TOKEN', 'the token holds characters that no token has');
  const own = (globalThis as { WebSocket?: SocketConstructor }).WebSocket;
  const headers: Record<string, string> = token === '' ? {} : { authorization: `Bearer ${token}` };
  const protocols = token === '' ? [subprotocol] : [subprotocol, TOKEN_SUBPROTOCOL_PREFIX + token];
  if (given) return () => new given(url, protocols, { headers });
  if (!own) {
    throw new TorsiondError('USAGE', 'this runtime has no WebSocket of its own', { hint: 'Pass one, for example: import WebSocket from "ws"; connect({ …, WebSocket }).' });
  }
  if (!isNode()) return () => new own(url, protocols);
  // Node's own class takes its headers in place of the protocol list, which no browser does.
  const NodeSocket = own as unknown as new (url: string, options: { protocols: string[]; headers: Record<string, string> }) => SocketLike;
  return () => new NodeSocket(url, { protocols: [subprotocol], headers });
}

const isNode = (): boolean => (globalThis as { process?: { versions?: { node?: string } } }).process?.versions?.node !== undefined;
