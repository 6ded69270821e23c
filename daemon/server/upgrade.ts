/** What both kinds of WebSocket need: messages as bytes, and an answer for whoever may not connect. */
import { STATUS_CODES } from 'node:http';
import type { Duplex } from 'node:stream';
import type { RawData } from 'ws';
import type { TorsiondError } from '../../shared/errors.ts';

export function asBuffer(data: RawData): Buffer {
  if (Buffer.isBuffer(data)) return data;
  return Array.isArray(data) ? Buffer.concat(data) : Buffer.from(data);
}

/**
 * Answers an upgrade request over HTTP, and ends the connection for both sides: no limit of the HTTP server holds for it
 * any more, and one that the other side kept open would keep the server from stopping.
 */
export function refuseUpgrade(socket: Duplex, error: TorsiondError): void {
  const status = error.facts.http;
  const body = JSON.stringify(error);
  socket.end([
    `HTTP/1.1 ${status} ${STATUS_CODES[status] ?? 'Refused'}`,
    'Content-Type: application/json; charset=utf-8', `Content-Length: ${Buffer.byteLength(body)}`,
    ...(status === 401 ? ['WWW-Authenticate: Bearer'] : []), 'Cache-Control: no-store', 'Connection: close', '', body,
  ].join('\r\n'), () => socket.destroy());
}
