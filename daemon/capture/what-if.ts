/** What other settings would have made of a stored trace. Nothing is stored, and nothing is made up. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Trace } from '../../shared/trace.ts';
import { torqueOf } from '../conditioning/calibration.ts';
import { CaptureEngine } from './capture-engine.ts';
import { checkCapture } from './defaults.ts';
import type { Capture } from './events.ts';
import { rederive } from './rederive.ts';

/**
 * @param settings instead of the stored ones
 * @returns null where these settings give no reading: track takes one by itself only of torque that stands still
 * @throws TorsiondError RATE_TOO_LOW, CAPTURE_SETTINGS … when the channel could not have had these settings
 */
export function whatIf(trace: Omit<Trace, 'id'>, settings: CaptureSettings): Capture | null {
  const { evidence, rateHz } = trace;
  const [fault] = checkCapture(settings, rateHz, evidence.transducer.capacity);
  if (fault) throw fault;
  if (settings.mode !== 'track' || evidence.settings.mode === 'track') return rederive(trace, settings);
  // The stored cycle was not taken in track, so when its reading would have been taken has to be found.
  const engine = new CaptureEngine({
    settings,
    facts: {
      channel: trace.channel, software: evidence.software, capacity: evidence.transducer.capacity,
      transducer: evidence.transducer, isSimulated: evidence.simulated,
    },
    numbers: evidence.detector,
    toWallMs: (monoMs) => trace.startWallMs + monoMs,
  });
  const { channel, epoch, firstIndex, spacingMs, device, status } = trace;
  const { conditioning } = evidence;
  const events = engine.step({
    channel, epoch, firstIndex, spacingMs, rateHz, device, status, conditioning,
    gap: 'connected', startMs: 0, timeEstimated: evidence.timeEstimated, unit: conditioning.unit,
    torque: torqueOf(device, conditioning),
  });
  return events.find((event) => event.kind === 'captured')?.capture ?? null;
}
