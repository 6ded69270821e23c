import type { Readable } from 'node:stream';
import type * as z from 'zod';
import type { Clock } from '../../../shared/clock.ts';
import type { Gateway } from '../gateway.ts';

export interface RouteContext {
  readonly gateway: Gateway;
  readonly clock: Clock;
  readonly eventLoopDelayMs: () => number;
  /** Counters of the server. */
  readonly ownCounters: () => ReadonlyMap<string, number>;
}

/** Who asks. */
export interface Caller {
  /** False once the token was revoked; for answers that go on. */
  readonly stillHolds: () => boolean;
}

/** What a route answers: a status and a value that becomes JSON, or text of the route's type, whole or in pieces. */
export interface RouteAnswer {
  readonly status?: number;
  /** A string only where the route's answer has a media type. */
  readonly body: unknown;
  /** In place of the body: the text of the answer in pieces, for what is too long to be written in one turn. */
  readonly pieces?: AsyncIterable<string>;
  /** In place of the body: bytes that go on until the client leaves. */
  readonly stream?: Readable;
}

/** One address of the HTTP interface. The OpenAPI document is made from these, so it cannot differ from what runs. */
export interface Route<Params = unknown, Query = unknown> {
  /** With `:name` for parameters. */
  readonly path: string;
  readonly summary: string;
  /** `none`: anybody whose Host and Origin are right. */
  readonly scope: 'none' | 'read';
  readonly params: z.ZodType<Params> | null;
  /** Null: the route takes no query at all. */
  readonly query: z.ZodType<Query> | null;
  /** Schema of the JSON answer, or the media type of a text or, with `isBinary`, of bytes without end. */
  readonly answer: z.ZodType | { readonly mediaType: string; readonly isBinary?: true };
  /** Codes of the errors that this route in particular can answer. */
  readonly errors: readonly string[];
  /** Further statuses that carry the same answer, with what they mean. */
  readonly otherStatuses?: Readonly<Record<number, string>>;
  handle(context: RouteContext, params: Params, query: Query, caller: Caller): Promise<RouteAnswer> | RouteAnswer;
}

/** Keeps the types of parameters and query between the schemas and the handler. */
export function route<Params, Query>(definition: Route<Params, Query>): Route {
  return definition;
}
