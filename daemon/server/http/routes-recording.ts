import * as z from 'zod';
import { recordingStream } from './recording-stream.ts';
import { route } from './route.ts';

const InstrumentParams = z.strictObject({ id: z.string().min(1).max(64).describe('Of an instrument, as /api/v1/instruments lists them.') });

const RecordingQuery = z.strictObject({
  torque: z.enum(['true', 'false']).default('false').describe('Torque of each channel as JSON messages beside the bytes, for MCAP viewers.'),
});

export const recordingRoutes = [
  route({
    path: '/api/v1/instruments/:id/recording', scope: 'read', params: InstrumentParams, query: RecordingQuery,
    summary: 'The raw bytes of an instrument from now on, as a recording (MCAP) for "torsiond replay", until the client leaves.',
    answer: { mediaType: 'application/octet-stream', isBinary: true }, errors: ['CHANNEL_UNKNOWN', 'CHANNEL_NOT_READY', 'LIMIT_REACHED'],
    handle: async ({ gateway, clock }, { id }, { torque }, { stillHolds }) => ({
      body: null, stream: await recordingStream({ gateway, clock, instrument: id, hasTorque: torque === 'true', stillHolds }),
    }),
  }),
];
