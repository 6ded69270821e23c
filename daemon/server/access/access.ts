import type { IncomingMessage } from 'node:http';
import { createHash, randomBytes, timingSafeEqual } from 'node:crypto';
import { TorsiondError } from '../../../shared/errors.ts';
import { TOKEN_SUBPROTOCOL_PREFIX, type Scope } from '../../../shared/wire/commands.ts';
import type { TokenStore } from '../tokens.ts';
import type { OriginKind } from './origin-list.ts';

/** Who asks, once the token was found right. */
export interface Access {
  readonly scope: Scope;
  /** Id of the token, null for the daemon's own page. */
  readonly tokenId: string | null;
  /** Names the client in the log and as the source of scans. */
  readonly label: string;
}

const SCOPE_ORDER: readonly Scope[] = ['read', 'operate', 'configure'];

export function scopeCovers(held: Scope, needed: Scope): boolean {
  return SCOPE_ORDER.indexOf(held) >= SCOPE_ORDER.indexOf(needed);
}

/** The token of `Authorization: Bearer …`, or null. */
export function bearerToken(header: string | undefined): string | null {
  const match = header === undefined ? null : /^bearer +([A-Za-z0-9._~+/=-]{1,256})$/i.exec(header);
  return match ? match[1]! : null;
}

/** What a WebSocket client offers in `Sec-WebSocket-Protocol`: protocols, and the token hidden among them. */
export function offeredProtocols(header: string | undefined): { protocols: readonly string[]; token: string | null } {
  const offered = (header ?? '').split(',').map((part) => part.trim()).filter((part) => part !== '');
  const carrier = offered.find((part) => part.startsWith(TOKEN_SUBPROTOCOL_PREFIX));
  return {
    protocols: offered.filter((part) => !part.startsWith(TOKEN_SUBPROTOCOL_PREFIX)),
    token: carrier === undefined ? null : carrier.slice(TOKEN_SUBPROTOCOL_PREFIX.length),
  };
}

/** True for a peer on this machine that did not come through a proxy. */
export function isLocal(request: IncomingMessage): boolean {
  const { headers } = request;
  if (headers.forwarded !== undefined || headers['x-forwarded-for'] !== undefined || headers['x-forwarded-host'] !== undefined || headers.via !== undefined) return false;
  const address = request.socket.remoteAddress ?? '';
  return address === '::1' || /^(::ffff:)?127\./.test(address);
}

/** Decides who a request is from: tokens of the store, and the page's own token of this start. */
export class AccessControl {
  /** Given to the daemon's own page on this machine. New at every start, kept in memory only. */
  readonly pageToken: string;
  readonly #pageDigest: Buffer;
  readonly #tokens: TokenStore;

  constructor(tokens: TokenStore) {
    this.#tokens = tokens;
    this.pageToken = randomBytes(32).toString('base64url');
    this.#pageDigest = digest(this.pageToken);
  }

  /** @throws TorsiondError ACCESS_TOKEN when the request's `Authorization` holds no valid token, TOKEN_FILE */
  ofRequest(request: IncomingMessage): Access {
    return this.#verify(bearerToken(request.headers.authorization), request);
  }

  /**
   * A browser cannot set headers on a WebSocket, so its token stands in the subprotocol list. Without an Origin the
   * client is a program and uses `Authorization`.
   * @throws TorsiondError ACCESS_TOKEN, TOKEN_FILE
   */
  ofUpgrade(request: IncomingMessage, origin: OriginKind): Access {
    const inHeader = bearerToken(request.headers.authorization);
    const inProtocols = offeredProtocols(request.headers['sec-websocket-protocol']).token;
    if (origin === 'none' && inHeader === null && inProtocols !== null) {
      throw new TorsiondError('ACCESS_TOKEN', 'the token stands in the subprotocol list, which is for pages', { hint: 'A program sends it as "Authorization: Bearer …".' });
    }
    return this.#verify(inHeader ?? inProtocols, request);
  }

  /** False once the token was revoked. */
  stillHolds(access: Access): boolean {
    return access.tokenId === null || this.#tokens.isValid(access.tokenId);
  }

  #verify(presented: string | null, request: IncomingMessage): Access {
    if (presented === null) throw new TorsiondError('ACCESS_TOKEN', 'a token is needed');
    if (timingSafeEqual(digest(presented), this.#pageDigest) && isLocal(request)) {
      return { scope: 'configure', tokenId: null, label: 'page' };
    }
    const record = this.#tokens.verify(presented);
    if (record === null) throw new TorsiondError('ACCESS_TOKEN', 'the token is not valid', { hint: 'It may be mistyped or revoked; "torsiond token create" makes a new one.' });
    return { scope: record.scope, tokenId: record.id, label: record.label === '' ? record.id : record.label };
  }
}

/** Digests have one length, so that comparing them tells nothing about the length of what was presented. */
function digest(text: string): Buffer {
  return createHash('sha256').update(text).digest();
}
