/** What a client may ask over WebSocket. Each is answered by `ok` or `refused` with the same `id`. */
import * as z from 'zod';
import { CaptureMode, FilterSettings, Limits, PulseSettings, TorqueUnitCode } from '../capture-settings.ts';
import { EVENT_KINDS } from './events.ts';

const id = z.string().min(1).max(64).describe('Chosen by the client; comes back in the answer.');
const channel = z.string().min(1).max(128);
const eventKind = z.enum(EVENT_KINDS as [string, ...string[]]);

export const Scope = z.enum(['read', 'operate', 'configure']);
export type Scope = z.infer<typeof Scope>;

export const Subscribe = z.strictObject({
  type: z.literal('subscribe'), id,
  channels: z.array(channel).max(64).optional().describe('Left out: all.'),
  events: z.array(eventKind).optional().describe('Left out: all.'),
  since: z.number().int().min(0).optional().describe('Last seq seen; every later reading.stored follows, in order. Left out: only new ones.'),
  liveHz: z.number().min(0).max(50).default(10).describe('channel.live per second; 0: none.'),
  samples: z.enum(['none', 'json', 'binary', 'binary64']).default('none'),
});
export const Unsubscribe = z.strictObject({ type: z.literal('unsubscribe'), id });
export const Arm = z.strictObject({ type: z.literal('arm'), id, channel });
export const Hold = z.strictObject({ type: z.literal('hold'), id, channel }).describe('Stop capturing until armed.');
export const Zero = z.strictObject({ type: z.literal('zero'), id, channel });
export const Latch = z.strictObject({
  type: z.literal('latch'), id, channel,
  zeroCheck: z.boolean().optional().describe('Also of an unloaded channel, to see its zero; the reading says so and is not judged.'),
}).describe('Take the track reading now. Refused while the torque is below the arming threshold (TORQUE_TOO_LOW), unless it is a zero check.');
export const Configure = z.strictObject({
  type: z.literal('configure'), id, channel,
  mode: CaptureMode.optional(),
  unit: TorqueUnitCode.optional(),
  direction: z.enum(['cw', 'ccw', 'both']).optional(),
  filter: FilterSettings.optional(),
  limits: Limits.optional(),
  holdMs: z.number().min(0).nullable().optional(),
  pulse: PulseSettings.optional(),
}).describe('Takes effect at once; a running cycle is interrupted (settings-changed).');
export const Scan = z.strictObject({ type: z.literal('scan'), id, code: z.string().min(1).max(512) });
export const Ping = z.strictObject({ type: z.literal('ping'), id });

export const ClientMessage = z.discriminatedUnion('type', [Subscribe, Unsubscribe, Arm, Hold, Zero, Latch, Configure, Scan, Ping]);
export type ClientMessage = z.infer<typeof ClientMessage>;
export type ChannelCommand = Extract<ClientMessage, { type: 'arm' | 'hold' | 'zero' | 'latch' | 'configure' }>;

/** The scope that each command needs. */
export const COMMAND_SCOPES: Record<ClientMessage['type'], Scope> = {
  subscribe: 'read', unsubscribe: 'read', ping: 'read',
  arm: 'operate', hold: 'operate', zero: 'operate', latch: 'operate', scan: 'operate',
  configure: 'configure',
};

export { PAGE_TOKEN_META, SUBPROTOCOL, TOKEN_SUBPROTOCOL_PREFIX } from './protocol.ts';
