/**
 * What came in, told apart by `type` with only as much checking as the client's own decisions need. A schema checks
 * the whole message when the application passes one; without it no zod enters the bundle.
 */
import { decodeSamples, type SampleFrame } from '../wire/binary-samples.ts';
import type { ServerMessage } from '../wire/events.ts';

/** Fits every zod schema. */
export interface MessageSchema {
  safeParse(message: unknown): { success: true; data: unknown } | { success: false; error: { message: string } };
}

export type Incoming =
  | { readonly kind: 'message'; readonly message: ServerMessage }
  | { readonly kind: 'samples'; readonly frame: SampleFrame }
  /** Of a type that this version does not know; a newer gateway may say more. */
  | { readonly kind: 'unknown'; readonly type: string }
  | { readonly kind: 'fault'; readonly what: string };

/** Every type there is: `satisfies` makes the compiler compare it with the schema. */
const KNOWN_TYPES = {
  'hello': true, 'instrument.state': true, 'channel.state': true, 'channel.live': true, 'cycle.started': true,
  'click.detected': true, 'cycle.interrupted': true, 'cycle.dismissed': true, 'reading.captured': true, 'reading.stored': true,
  'reading.not-stored': true, 'samples.skipped': true, 'samples': true, 'store.state': true, 'scanner.state': true,
  'scan.seen': true,
  'ok': true, 'refused': true,
} as const satisfies Record<ServerMessage['type'], true>;

export function readIncoming(data: unknown, schema: MessageSchema | null): Incoming {
  if (typeof data === 'string') return readText(data, schema);
  const bytes = asBytes(data);
  if (!bytes) return { kind: 'fault', what: 'a message that is neither text nor bytes' };
  try {
    return { kind: 'samples', frame: decodeSamples(bytes) };
  } catch (thrown) {
    return { kind: 'fault', what: thrown instanceof Error ? thrown.message : 'unreadable sample frame' };
  }
}

function readText(text: string, schema: MessageSchema | null): Incoming {
  let message: unknown;
  try {
    message = JSON.parse(text);
  } catch {
    return { kind: 'fault', what: 'a message that is not JSON' };
  }
  const type = isRecord(message) ? message['type'] : undefined;
  if (!isRecord(message) || typeof type !== 'string') return { kind: 'fault', what: 'a message without a type' };
  if (!Object.hasOwn(KNOWN_TYPES, type)) return { kind: 'unknown', type };
  if (schema) {
    const checked = schema.safeParse(message);
    if (!checked.success) return { kind: 'fault', what: `${type}: ${checked.error.message}` };
    return { kind: 'message', message: checked.data as ServerMessage };
  }
  const lacking = lacks(type as ServerMessage['type'], message);
  if (lacking !== null) return { kind: 'fault', what: `${type} without a fit ${lacking}` };
  return { kind: 'message', message: message as unknown as ServerMessage };
}

/** The first field that the client relies on and that is missing or of the wrong kind. */
function lacks(type: ServerMessage['type'], message: Record<string, unknown>): string | null {
  switch (type) {
    case 'hello':
      if (!isCount(message['lastSeq'])) return 'lastSeq';
      if (!Array.isArray(message['instruments'])) return 'instruments';
      return Array.isArray(message['channels']) && message['channels'].every(isRecord) ? null : 'channels';
    case 'reading.stored':
      if (!isCount(message['seq']) || message['seq'] === 0) return 'seq';
      return isRecord(message['reading']) ? null : 'reading';
    case 'reading.captured':
    case 'reading.not-stored':
      return isRecord(message['reading']) ? null : 'reading';
    case 'instrument.state':
      return isRecord(message['instrument']) ? null : 'instrument';
    case 'channel.state':
      return isRecord(message['channel']) ? null : 'channel';
    case 'scanner.state':
      return isRecord(message['scanner']) ? null : 'scanner';
    case 'channel.live':
      return Array.isArray(message['minMax']) && typeof message['value'] === 'number' ? null : 'value';
    case 'samples':
      return Array.isArray(message['torque']) ? null : 'torque';
    case 'ok':
      return typeof message['id'] === 'string' ? null : 'id';
    case 'refused':
      return typeof message['code'] === 'string' && typeof message['message'] === 'string' ? null : 'code';
    default:
      return null;
  }
}

const isRecord = (value: unknown): value is Record<string, unknown> => typeof value === 'object' && value !== null && !Array.isArray(value);
const isCount = (value: unknown): value is number => Number.isSafeInteger(value) && (value as number) >= 0;

function asBytes(data: unknown): Uint8Array | null {
  if (data instanceof ArrayBuffer) return new Uint8Array(data);
  return ArrayBuffer.isView(data) ? new Uint8Array(data.buffer, data.byteOffset, data.byteLength) : null;
}
