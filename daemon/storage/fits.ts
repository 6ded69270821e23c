/** What may be stored at all. Kept out of the worker, which starts faster without the schemas. */
import { TorsiondError } from '../../shared/errors.ts';
import { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';

/** Null, or the defect (INTERNAL) for which a reading is not stored: it does not fit its schema, or not its trace. */
export function misfit(reading: Reading, trace: Trace): TorsiondError | null {
  const checked = Reading.safeParse(reading);
  if (!checked.success) {
    const issue = checked.error.issues[0]!;
    return new TorsiondError('INTERNAL', `a reading that does not fit its schema was not stored: ${issue.path.join('.')}: ${issue.message}`, { where: String(reading.id) });
  }
  if (reading.traceId !== trace.id || reading.channel !== trace.channel) {
    return new TorsiondError('INTERNAL', `a reading was handed over with the trace of another (${trace.id} of ${trace.channel})`, { where: reading.id });
  }
  return null;
}
