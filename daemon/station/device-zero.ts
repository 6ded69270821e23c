/** Zeroing by the device itself, which moves all of its channels at once. */
import type { Clock } from '../../shared/clock.ts';

export interface DeviceZero<Zero> {
  readonly channels: number;
  /** Looks for the zero of one channel in the samples that follow. @throws TorsiondError ZERO_REFUSED while torque is on */
  readonly zero: (channel: number) => Promise<Zero>;
  readonly tellDevice: () => Promise<void>;
  readonly clock: Clock;
}

/** Devices do it when they have averaged for a while; what they send until then has the old zero, ms. */
const SETTLE_MS = 1_000;

/**
 * Not a word to the device before every channel was found still and near zero: a zero under torque would falsify all that
 * follows. Then what the device left is zeroed here.
 * @returns the zeros that are left, by channel
 */
export async function zeroDevice<Zero>({ channels, zero, tellDevice, clock }: DeviceZero<Zero>): Promise<readonly Zero[]> {
  const all = (): Promise<Zero[]> => Promise.all(Array.from({ length: channels }, (_, i) => zero(i)));
  await all();
  await tellDevice();
  await new Promise<void>((resolve) => clock.after(SETTLE_MS, resolve));
  return all();
}
