/** Torque as messages that general MCAP viewers plot. For the eye alone: a replay makes its own from the bytes. */
import type { SampleBlock } from '../../shared/sample-block.ts';

/** Most messages of one channel per second; of faster samples one stands for several. */
export const MAX_TORQUE_HZ = 1_000;

export const TORQUE_SCHEMA = {
  name: 'torsiond.Torque',
  text: JSON.stringify({
    title: 'Torque', type: 'object', required: ['torque'],
    description: 'Torque of one channel in N.m, after calibration and zero, before the low-pass. The log time is the time of the sample.',
    properties: {
      torque: { type: 'number', description: 'N.m; of several samples the one farthest from zero' },
      lowest: { type: 'number', description: 'N.m; of the samples that the message stands for' },
      highest: { type: 'number', description: 'N.m; of the samples that the message stands for' },
      samples: { type: 'integer', description: 'how many that are; one when left out' },
    },
  }),
};

export interface TorqueMessage {
  /** Monotonic, ms. */
  readonly atMs: number;
  readonly data: Uint8Array;
}

const encoder = new TextEncoder();

export function torqueMessages({ torque, rateHz, startMs, spacingMs }: SampleBlock): TorqueMessage[] {
  const perMessage = Math.max(1, Math.ceil(rateHz / MAX_TORQUE_HZ));
  const messages: TorqueMessage[] = [];
  for (let from = 0; from < torque.length; from += perMessage) {
    const to = Math.min(torque.length, from + perMessage);
    let [lowest, highest, farthest] = [from, from, from];
    for (let i = from + 1; i < to; i++) {
      if (torque[i]! < torque[lowest]!) lowest = i;
      if (torque[i]! > torque[highest]!) highest = i;
      if (Math.abs(torque[i]!) > Math.abs(torque[farthest]!)) farthest = i;
    }
    const value = { torque: torque[farthest]!, ...(perMessage === 1 ? {} : { lowest: torque[lowest]!, highest: torque[highest]!, samples: to - from }) };
    messages.push({ atMs: startMs + farthest * spacingMs, data: encoder.encode(JSON.stringify(value)) });
  }
  return messages;
}
