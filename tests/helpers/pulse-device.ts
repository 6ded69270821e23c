/**
 * A device that sends nothing until it hears START, then lines with one short pull after the other on each of its
 * channels, as fast as told. The pulls differ in height, so that no reading can pass for another.
 */
import { openTcpPort, type TcpPort } from '../../simulator/ports/tcp-port.ts';

export interface PulseDevice {
  readonly port: TcpPort;
  /** Settings of a gateway that reads it. */
  readonly instrument: object;
  /** Times that START was heard. */
  starts(): number;
  /** Samples sent so far, of each channel. */
  sent(): number;
  close(): Promise<void>;
}

export const PULSE = { rateHz: 5_000, restSamples: 20, pullSamples: 30, lowest: 20, capacity: 60, heights: 1_009 } as const;
const SAMPLES_MS = 1_000 / PULSE.rateHz;
const PERIOD = PULSE.restSamples + PULSE.pullSamples;
/** Heights repeat after so many pulls, which is a prime, so that each comes once; pulls that follow each other lie so many steps apart. */
const HEIGHTS = PULSE.heights;
const STEPS = 7;
const RANGE = 20;

/** Torque of a channel at a sample, N.m: at rest, or half a wave of 20 to 40 N.m. */
function torqueAt(sample: number, channel: number): number {
  const shifted = sample + channel * 11;
  const inPull = (shifted % PERIOD) - PULSE.restSamples;
  if (inPull < 0) return 0;
  const height = PULSE.lowest + (RANGE * ((Math.floor(shifted / PERIOD) * STEPS + channel * 101) % HEIGHTS)) / HEIGHTS;
  return height * Math.sin((Math.PI * (inPull + 0.5)) / PULSE.pullSamples);
}

/** Which pull of its channel a peak is, modulo `PULSE.heights`. */
export function pullOf(peak: number, channel: number): number {
  const highest = Math.sin((Math.PI * (PULSE.pullSamples / 2 - 0.5)) / PULSE.pullSamples);
  const step = Math.round(((peak / highest - PULSE.lowest) * HEIGHTS) / RANGE) - channel * 101;
  for (let pull = 0; pull < HEIGHTS; pull++) if ((((pull * STEPS - step) % HEIGHTS) + HEIGHTS) % HEIGHTS === 0) return pull;
  throw new RangeError(`no pull has the peak ${peak}`);
}

export async function pulseDevice(id: string, channels: number): Promise<PulseDevice> {
  const port = await openTcpPort();
  let starts = 0;
  let heard = '';
  let sent = 0;
  let unheard = 0;
  let startMs = 0;
  let timer: NodeJS.Timeout | undefined;
  const tick = (): void => {
    const due = Math.floor((performance.now() - startMs) / SAMPLES_MS);
    let text = '';
    for (const end = Math.min(due, sent + PULSE.rateHz / 10); sent < end; sent++) {
      text += Array.from({ length: channels }, (_, channel) => torqueAt(sent, channel).toFixed(3)).join(',') + '\n';
    }
    if (text !== '') port.write(Buffer.from(text));
    // Nobody is there any more; the next one finds a quiet line until it says START.
    if (port.counters.unheardBytes > unheard) clearInterval(timer);
    unheard = port.counters.unheardBytes;
  };
  port.onData((bytes) => {
    heard += Buffer.from(bytes).toString('latin1');
    if (!heard.endsWith('START\r\n')) return;
    heard = '';
    starts++;
    clearInterval(timer);
    startMs = performance.now() - sent * SAMPLES_MS;
    timer = setInterval(tick, 4);
  });
  return {
    port,
    instrument: {
      id, simulated: true, link: port.address,
      driver: { id: 'ascii-lines', options: { channels: Array.from({ length: channels }, (_, i) => ({ column: i + 1 })), commands: { start: 'START' } } },
      channels: Array.from({ length: channels }, (_, i) => ({
        sampleRateHz: PULSE.rateHz, zero: { kind: 'fixed' }, transducer: { serialNumber: `HF-T60-${i} (invented)`, capacity: PULSE.capacity },
        capture: { mode: 'peak', detector: { armTorque: 2, releaseTorque: 1, releaseMs: 1, minDurationMs: 1, preRollMs: 2 } },
      })),
    },
    starts: () => starts,
    sent: () => sent,
    close: async () => {
      clearInterval(timer);
      await port.close();
    },
  };
}
