/** What a driver's events meant, as lists per channel. */
import type { DriverEvent } from '../../drivers/api.ts';
import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import type { DriverDefinition } from '../../drivers/api.ts';
import { systemClock } from '../../shared/clock.ts';

/** Per channel the values in order; null: a sample is missing here. */
export function samplesOf(events: readonly DriverEvent[], channels = 1): (number | null)[][] {
  const all: (number | null)[][] = Array.from({ length: channels }, () => []);
  for (const event of events) {
    if (event.kind === 'values') all[event.channel]!.push(...event.values);
    else all.forEach((list, channel) => (event.channel === null || event.channel === channel) && list.push(...Array<null>(event.missing).fill(null)));
  }
  return all;
}

/** Runs a driver over chunks on a link in memory. @param options as in a settings file */
export async function driverEvents<Options>(driver: DriverDefinition<Options>, options: unknown, chunks: readonly Uint8Array[]): Promise<DriverEvent[]> {
  const { link, far } = createMemoryLink(systemClock);
  const session = driver.createSession({ options: driver.optionsSchema.parse(options), link, clock: systemClock, signal: new AbortController().signal });
  const events: DriverEvent[] = [];
  session.events$.subscribe((event) => events.push(event));
  await session.start();
  for (const chunk of chunks) far.deliver(chunk);
  return events;
}
