import * as z from 'zod';
import { TorsiondError } from '../../../shared/errors.ts';
import type { ReadingStore, StoredReading } from '../../storage/store.ts';
import { ReadingsAnswer, StoredReadingAnswer, TraceAnswer } from './answers.ts';
import { route } from './route.ts';
import { traceText } from './trace-text.ts';

/** A query is text; only plain decimal digits become a number. */
const wholeNumber = (schema: z.ZodNumber): z.ZodType<number> =>
  z.preprocess((text) => (typeof text === 'string' && /^\d{1,15}$/.test(text) ? Number(text) : text), schema);

const ReadingsQuery = z.strictObject({
  afterSeq: wholeNumber(z.number().int().min(0)).optional().describe('Only readings with a greater sequence number.'),
  since: z.iso.datetime({ offset: true, error: 'a moment such as 2026-11-25T08:00:00Z is needed' }).optional().describe('Only readings that began at or after this time.'),
  channel: z.string().min(1).max(128).optional(),
  limit: wholeNumber(z.number().int().min(1).max(1_000)).optional().describe('At most so many; 200 when left out.'),
  order: z.enum(['oldest', 'newest']).optional().describe('Which come first; oldest when left out.'),
});
const ReadingParams = z.strictObject({ id: z.string().regex(/^[A-Za-z0-9_-]{1,64}$/, 'an id has letters, digits, - and _, at most 64') });

export const readingRoutes = [
  route({
    path: '/api/v1/readings', summary: 'Stored readings, by sequence number. For all of them: repeat with afterSeq = the last seq received until none comes.',
    scope: 'read', params: null, query: ReadingsQuery, answer: ReadingsAnswer, errors: ['STORE_FAILED'],
    handle: async ({ gateway }, _params, query) => {
      const { since, ...rest } = query;
      const found = await gateway.store.readings(defined({ ...rest, since: since === undefined ? undefined : new Date(since).toISOString() }));
      return { body: { readings: found.map(storedAnswer), lastSeq: gateway.store.status().lastSeq } };
    },
  }),
  route({
    path: '/api/v1/readings/:id', summary: 'One stored reading.', scope: 'read', params: ReadingParams, query: null,
    answer: StoredReadingAnswer, errors: ['READING_UNKNOWN', 'STORE_FAILED'],
    handle: async ({ gateway }, { id }) => ({ body: storedAnswer(await requireReading(gateway.store, id)) }),
  }),
  route({
    path: '/api/v1/readings/:id/trace', summary: 'The samples of a reading\'s cycle, as torque and as the device sent them, with what is needed to derive the reading again.',
    scope: 'read', params: ReadingParams, query: null, answer: TraceAnswer, errors: ['READING_UNKNOWN', 'STORE_FAILED'],
    handle: async ({ gateway }, { id }) => {
      const trace = await gateway.store.trace(id);
      if (trace === null) {
        await requireReading(gateway.store, id);
        throw new TorsiondError('READING_UNKNOWN', 'the reading has no trace', { where: id });
      }
      return { body: null, pieces: traceText(id, trace) };
    },
  }),
];

async function requireReading(store: ReadingStore, id: string): Promise<StoredReading> {
  const stored = await store.reading(id);
  if (stored === null) throw new TorsiondError('READING_UNKNOWN', 'no reading has that id', { where: id });
  return stored;
}

function storedAnswer(stored: StoredReading): z.infer<typeof StoredReadingAnswer> {
  return { reading: stored.reading, storedAt: new Date(stored.storedAtMs).toISOString(), hash: stored.hash };
}

/** Leaves out what is undefined, as exact optional properties want it. */
function defined<T extends object>(value: T): { [K in keyof T]: Exclude<T[K], undefined> } {
  return Object.fromEntries(Object.entries(value).filter(([, entry]) => entry !== undefined)) as { [K in keyof T]: Exclude<T[K], undefined> };
}
