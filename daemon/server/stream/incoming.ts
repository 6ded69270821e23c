import type * as z from 'zod';
import { TorsiondError } from '../../../shared/errors.ts';
import { ClientMessage, COMMAND_SCOPES } from '../../../shared/wire/commands.ts';

/** Largest message of a client, bytes. Commands are a few hundred. */
export const MAX_MESSAGE_BYTES = 64 * 1024;
export const MAX_FRAGMENTS = 16;
export const MAX_BUFFERED_CHUNKS = 256;
export const MESSAGES_PER_SECOND = 100;
/** Commands of one client that may be under way at a time. */
export const MAX_PENDING_COMMANDS = 32;

export type Incoming =
  | { readonly kind: 'message'; readonly message: ClientMessage }
  | { readonly kind: 'invalid'; readonly id: string | null; readonly error: TorsiondError };

/** Checks the text of one message. Never throws. */
export function readMessage(text: string): Incoming {
  let raw: unknown;
  try {
    raw = JSON.parse(text);
  } catch {
    return invalid(null, 'the message is not JSON');
  }
  if (typeof raw !== 'object' || raw === null || Array.isArray(raw)) return invalid(null, 'the message is not a JSON object');
  const { id, type } = raw as { id?: unknown; type?: unknown };
  const echo = typeof id === 'string' && id.length >= 1 && id.length <= 64 ? id : null;
  if (typeof type !== 'string' || !Object.hasOwn(COMMAND_SCOPES, type)) {
    const what = typeof type === 'string' ? `there is no command "${type.slice(0, 40)}"` : 'the message has no type';
    return invalid(echo, `${what}; known are ${Object.keys(COMMAND_SCOPES).join(', ')}`);
  }
  const parsed = ClientMessage.safeParse(raw);
  return parsed.success ? { kind: 'message', message: parsed.data } : invalid(echo, firstFault(parsed.error));
}

/** The first fault in one line: `path: what`. */
export function firstFault(error: z.ZodError): string {
  const issue = error.issues[0]!;
  const path = issue.path.map(String).join('.');
  const more = error.issues.length > 1 ? ` (and ${error.issues.length - 1} more)` : '';
  return `${path === '' ? '' : `${path}: `}${issue.message.slice(0, 200)}${more}`;
}

function invalid(id: string | null, message: string): Incoming {
  return { kind: 'invalid', id, error: new TorsiondError('MESSAGE_INVALID', message) };
}
