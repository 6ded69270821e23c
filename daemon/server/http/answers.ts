/** Shapes of the HTTP answers. Readings, instruments and channels are those of the wire. */
import * as z from 'zod';
import { CaptureSettings, TorqueUnitCode } from '../../../shared/capture-settings.ts';
import { Reading } from '../../../shared/reading.ts';
import { SignalScaleSchema } from '../../../shared/signal.ts';
import { CalibrationCurveSchema } from '../../../shared/transducer.ts';
import { ChannelInfo, Fault, InstrumentInfo, ScannerInfo } from '../../../shared/wire/events.ts';

export const ErrorAnswer = Fault.describe('Every refusal and fault: a permanent code, what went wrong, where, and what can be done.');

export const Health = z.object({ status: z.literal('alive') });

export const Readiness = z.object({
  ready: z.boolean(),
  checks: z.object({
    store: z.object({ ok: z.boolean(), state: z.enum(['ready', 'full', 'failed']), pending: z.number().int().describe('Readings handed over and not yet stored.') }),
    instruments: z.object({ ok: z.boolean(), streaming: z.number().int(), total: z.number().int() })
      .describe('Not ok while there are instruments and none of them streams.'),
    eventLoop: z.object({ ok: z.boolean(), delayMs: z.number() }).describe('99th percentile of the delay of the daemon\'s event loop; not ok from 250 ms.'),
  }),
});

export const StationAnswer = z.object({
  station: z.string(), version: z.string(), protocol: z.literal('torsiond.v1'),
  at: z.iso.datetime(), lastSeq: z.number().int().min(0),
  store: z.object({ state: z.enum(['ready', 'full', 'failed']), detail: z.string().nullable() }),
});
export const InstrumentsAnswer = z.object({ instruments: z.array(InstrumentInfo) });
export const ChannelsAnswer = z.object({ channels: z.array(ChannelInfo) });
export const ScannersAnswer = z.object({ scanners: z.array(ScannerInfo) });

export const StoredReadingAnswer = z.object({
  reading: Reading,
  storedAt: z.iso.datetime(),
  hash: z.string().describe('Hash of the record, over its content and the hash of the record before; hex.'),
});
export const ReadingsAnswer = z.object({
  readings: z.array(StoredReadingAnswer),
  lastSeq: z.number().int().min(0).describe('The last sequence number in the store.'),
});

const Conditioning = z.object({
  unit: TorqueUnitCode, signal: SignalScaleSchema.optional(), calibration: CalibrationCurveSchema, zero: z.number().describe('N.m'), sign: z.union([z.literal(1), z.literal(-1)]),
});
export const EvidenceAnswer = z.object({
  software: z.string(), conditioning: Conditioning,
  captureVersion: z.number().int().describe('Version of the capture mathematics that made the reading.'),
  settings: CaptureSettings,
  detector: z.record(z.string(), z.number()).describe('The numbers capture counted with, torques in N.m, times in ms.'),
  transducer: z.object({
    serialNumber: z.string(), capacity: z.number().describe('N.m'), lowestTorque: z.number().nullable().describe('N.m'),
    calibrationDue: z.string().nullable(), uncertainty: z.object({ percent: z.number(), k: z.number() }).nullable(),
  }),
  cycleAt: z.number().int().describe('Index in the trace at which the cycle began.'),
  takenBy: z.enum(['cycle', 'command', 'still', 'zero-check']), takenAt: z.number().int().nullable(),
  gapBefore: z.boolean().describe('Samples are missing shortly before the cycle.'),
  restBefore: z.number().nullable().describe('Torque that stood still beyond the release threshold before the cycle, N.m.'),
  restAfter: z.number().nullable().describe('The same after it.'),
  isPulsed: z.boolean().describe('Nothing but short applications, as those of an impulse tool.'),
  simulated: z.boolean(), timeEstimated: z.boolean(),
}).describe('All that is needed to derive the reading from the trace again.');

export const TraceAnswer = z.object({
  readingId: z.string(), traceId: z.string(), channel: z.string(), epoch: z.number().int(), firstIndex: z.number().int(),
  startAt: z.iso.datetime(), spacingMs: z.number(), rateHz: z.number(),
  unit: z.literal('N.m'), torque: z.array(z.number()).describe('Calibrated and zeroed, not filtered; counter-clockwise negative.'),
  deviceUnit: z.union([TorqueUnitCode, SignalScaleSchema.shape.unit]), device: z.array(z.number()).describe('As the device sent them.'),
  status: z.array(z.number().int()).nullable().describe('Bits per sample: 1 overload, 2 unstable; null when all are clean.'),
  evidence: EvidenceAnswer,
});
