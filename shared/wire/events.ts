/** What the gateway says over WebSocket, past tense. Every message has `type` and `at` (wall time, ISO 8601). */
import * as z from 'zod';
import { CaptureSettings, TorqueUnitCode } from '../capture-settings.ts';
import { Direction, DismissedCycle, InterruptedCycle, Reading } from '../reading.ts';
import { PortUsbDevice } from './port-messages.ts';

const at = z.iso.datetime().describe('Wall time of the gateway.');
const channel = z.string().describe('Channel id, for example bench-a/1.');

export const InstrumentState = z.enum([
  'absent', 'opening', 'settling', 'identifying', 'streaming', 'stalled', 'waiting', 'needs-attention', 'stopped',
]);
export type InstrumentState = z.infer<typeof InstrumentState>;

export const ChannelStateName = z.enum(['offline', 'armed', 'cycle', 'held', 'loaded'])
  .describe('loaded: torque stands at rest beyond the release threshold, where none should be: unload and zero.');

export const Fault = z.object({ code: z.string(), message: z.string(), where: z.string().nullable(), hint: z.string() });

export const InstrumentInfo = z.object({
  id: z.string(),
  title: z.string(),
  state: InstrumentState,
  since: z.iso.datetime(),
  fault: Fault.nullable(),
  link: z.string().describe('What the instrument is reached by, as a person recognises it.'),
  linkKind: z.string().optional().describe('Kind of the link, as in the settings.'),
  pageUsb: PortUsbDevice.optional().describe('Link kind browser-usb: the device that a page must have.'),
  driver: z.string(),
  epoch: z.number().int().min(0),
  identity: z.object({ maker: z.string(), model: z.string(), serialNumber: z.string(), firmware: z.string() }).nullable(),
  simulated: z.boolean(),
});
export type InstrumentInfo = z.infer<typeof InstrumentInfo>;

export const ScannerState = z.enum(['opening', 'connected', 'waiting', 'stopped'])
  .describe('waiting: not connected, tried again by itself; stopped: switched off in the settings.');
export type ScannerState = z.infer<typeof ScannerState>;

export const ScannerInfo = z.object({
  id: z.string(),
  title: z.string(),
  state: ScannerState,
  since: z.iso.datetime(),
  fault: Fault.nullable().describe('Why it is not connected.'),
  link: z.string().describe('What the scanner is reached by, as a person recognises it.'),
});
export type ScannerInfo = z.infer<typeof ScannerInfo>;

export const ChannelInfo = z.object({
  index: z.number().int().min(0).describe('Stands in binary sample frames.'),
  id: channel,
  title: z.string(),
  instrument: z.string(),
  state: ChannelStateName,
  loadedBy: z.number().nullable().optional().describe('In the state loaded: the torque that stands there, in the unit of the settings.'),
  fault: Fault.nullable().optional().describe('Why the channel captures nothing, when its settings do not fit it.'),
  settings: CaptureSettings,
  transducer: z.object({
    serialNumber: z.string(),
    capacity: z.number().describe('In the unit of the settings.'),
    resolution: z.number().nullable().describe('In the unit of the settings; readers round by it.'),
    calibrationDue: z.string().nullable(),
    overdue: z.boolean(),
  }),
  sampleRateHz: z.number().nullable(),
});
export type ChannelInfo = z.infer<typeof ChannelInfo>;

export const Hello = z.object({
  type: z.literal('hello'), at,
  station: z.string(),
  version: z.string(),
  protocol: z.literal('torsiond.v1'),
  instruments: z.array(InstrumentInfo),
  channels: z.array(ChannelInfo),
  scanners: z.array(ScannerInfo).optional().describe('Code scanners and foot switches of the settings; left out by gateways that do not tell of them.'),
  lastSeq: z.number().int().min(0),
  scope: z.enum(['read', 'operate', 'configure']),
});

export const InstrumentStateEvent = z.object({ type: z.literal('instrument.state'), at, instrument: InstrumentInfo });
export const ChannelStateEvent = z.object({ type: z.literal('channel.state'), at, channel: ChannelInfo });

export const ScannerStateEvent = z.object({ type: z.literal('scanner.state'), at, scanner: ScannerInfo });

export const ChannelLive = z.object({
  type: z.literal('channel.live'), at, channel,
  unit: TorqueUnitCode,
  value: z.number().describe('Latest torque after the low-pass, signed.'),
  startAt: z.iso.datetime().describe('Wall time of the first pair in minMax.'),
  spacingMs: z.number().describe('Distance of the pairs.'),
  minMax: z.array(z.number()).describe('min, max, min, max … of the torque since the last message; no peak is hidden.'),
});

export const CycleStarted = z.object({ type: z.literal('cycle.started'), at, channel, epoch: z.number(), direction: Direction });
export const ClickDetected = z.object({ type: z.literal('click.detected'), at, channel, unit: TorqueUnitCode, torque: z.number() });
export const CycleInterrupted = InterruptedCycle.extend({ at });
export const CycleDismissed = DismissedCycle.extend({ at });
export const ReadingCaptured = z.object({ type: z.literal('reading.captured'), at, reading: Reading })
  .describe('Judged and not yet stored.');
export const ReadingStored = z.object({ type: z.literal('reading.stored'), at, seq: z.number().int().positive(), reading: Reading })
  .describe('Committed to the store. Announced in order of seq, without a hole.');
export const ReadingNotStored = z.object({ type: z.literal('reading.not-stored'), at, reading: Reading, fault: Fault })
  .describe('The store refused it; it is kept in memory and tried again while the daemon runs.');
export const SamplesSkipped = z.object({ type: z.literal('samples.skipped'), at, channel, count: z.number().int().positive(), reason: z.enum(['slow-client']) })
  .describe('Samples of the channel that this client did not get, as samples or inside channel.live, because it was slow to read.');
export const StoreState = z.object({ type: z.literal('store.state'), at, state: z.enum(['ready', 'full', 'failed']), detail: z.string().nullable() });
export const ScanSeen = z.object({ type: z.literal('scan.seen'), at, code: z.string(), source: z.string() });

export const Ok = z.object({ type: z.literal('ok'), id: z.string(), result: z.unknown().optional() });
export const Refused = z.object({ type: z.literal('refused'), id: z.string().nullable(), code: z.string(), message: z.string(), hint: z.string() });

/** JSON samples, for clients that asked `samples: "json"`. */
export const Samples = z.object({
  type: z.literal('samples'), at, channel,
  epoch: z.number().int(), firstIndex: z.number().int(), startAt: z.iso.datetime(), spacingMs: z.number(), broken: z.boolean(),
  torque: z.array(z.number()).describe('N.m, signed.'),
});

export const GatewayEvent = z.discriminatedUnion('type', [
  InstrumentStateEvent, ChannelStateEvent, ChannelLive, CycleStarted, ClickDetected, CycleInterrupted, CycleDismissed,
  ReadingCaptured, ReadingStored, ReadingNotStored, StoreState, ScannerStateEvent, ScanSeen,
]);
export type GatewayEvent = z.infer<typeof GatewayEvent>;

export const ServerMessage = z.discriminatedUnion('type', [...GatewayEvent.options, Hello, SamplesSkipped, Samples, Ok, Refused]);
export type ServerMessage = z.infer<typeof ServerMessage>;
export type HelloMessage = z.infer<typeof Hello>;

export const EVENT_KINDS = GatewayEvent.options.map((option) => option.shape.type.value);
