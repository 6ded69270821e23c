/** The part of the browsers' WebSocket interface that the client uses; the `ws` package and Node's own have it too. */
import { TorsiondError } from '../errors.ts';
import { STREAM_PATH, SUBPROTOCOL, TOKEN_SUBPROTOCOL_PREFIX } from '../wire/protocol.ts';

export interface SocketLike {
  binaryType: string;
  send(data: string): void;
  close(code?: number, reason?: string): void;
  addEventListener(type: 'open', listener: () => void): void;
  addEventListener(type: 'message', listener: (event: { data: unknown }) => void): void;
  addEventListener(type: 'close', listener: (event: { code: number; reason: string }) => void): void;
  addEventListener(type: 'error', listener: (event: { message?: string }) => void): void;
}

export type SocketConstructor = new (url: string, protocols: string[]) => SocketLike;

/** The stream's address: `http` becomes `ws`, and an address without a path gets the stream's own. */
export function streamUrl(url: string): string {
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
  if (parsed.pathname === '/' || parsed.pathname === '') parsed.pathname = STREAM_PATH;
  parsed.hash = '';
  return parsed.href;
}

/** The subprotocols to offer. The token travels here and never in the address, which ends in logs and histories. */
export function subprotocols(token: string): string[] {
  if (token === '') return [SUBPROTOCOL];
  if (!/^[\w!#$%&'*+.^`|~-]+$/.test(token)) {
    throw new TorsiondError('ACCESS_TOKEN', 'the token holds characters that no token has');
  }
  return [SUBPROTOCOL, TOKEN_SUBPROTOCOL_PREFIX + token];
}

/** The WebSocket to use: the given one, or the one that browsers and Node 22+ bring along. */
export function socketConstructor(given: SocketConstructor | undefined): SocketConstructor {
  const found = given ?? (globalThis as { WebSocket?: SocketConstructor }).WebSocket;
  if (!found) {
    throw new TorsiondError('USAGE', 'this runtime has no WebSocket of its own', { hint: 'Pass one, for example: import WebSocket from "ws"; connect({ …, WebSocket }).' });
  }
  return found;
}
