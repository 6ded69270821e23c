import { describe, expect, it } from 'vitest';
import { deliveryOf, type DriverDefinition } from '../../../drivers/api.ts';
import { asciiLines } from '../../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../../drivers/protocols/ascii-lines/options.ts';
import { clausesOfDriver, type AnyDriverHarness } from '../../../drivers/conformance/index.ts';
import { BUILT_IN_DRIVERS, findDriver } from '../../../drivers/registry.ts';

describe('the drivers', () => {
  it('are found by their ids, which differ', () => {
    expect(findDriver('ascii-lines').id).toBe('ascii-lines');
    expect(new Set(BUILT_IN_DRIVERS.map((driver) => driver.id)).size).toBe(BUILT_IN_DRIVERS.length);
  });

  it('that do not exist are refused with the names of those that do', () => {
    expect(() => findDriver('nothing')).toThrow(expect.objectContaining({ code: 'DRIVER_UNKNOWN', message: expect.stringContaining('ascii-lines') as string }) as Error);
  });
});

describe('how samples are delivered', () => {
  const streams = AsciiLinesOptions.parse({});
  const asks = AsciiLinesOptions.parse({ poll: { request: 'M', rateHz: 10 } });

  it('depends on the options where the driver says so, else it is what the driver declares', () => {
    expect([deliveryOf(asciiLines, streams), deliveryOf(asciiLines, asks)]).toEqual(['pushed', 'polled']);
    for (const driver of BUILT_IN_DRIVERS.filter(({ id }) => id !== 'ascii-lines')) expect(deliveryOf(driver, {})).toBe(driver.capabilities.delivery);
  });

  it('must be told by a driver that leaves it to its options', () => {
    const { delivery: _, ...silent } = asciiLines;
    expect(() => deliveryOf(silent as DriverDefinition<AsciiLinesOptions>, streams)).toThrow(expect.objectContaining({ code: 'DRIVER_FAILED', message: expect.stringContaining('delivery(options)') as string }) as Error);
  });

  it('decides which clauses run, and a harness for the other kind is refused', () => {
    const stream = { driver: asciiLines, options: streams, wrongOptions: 3, resync: new Uint8Array(0), bad: new Uint8Array(1), vectors: [{ bytes: Uint8Array.of(49, 10), values: ['1'] }] };
    expect(clausesOfDriver(stream).every(({ id }) => id.startsWith('D'))).toBe(true);
    const asked: AnyDriverHarness<AsciiLinesOptions> = { driver: asciiLines, options: asks, wrongOptions: 3, isPoll: () => true, startPolls: 1, other: () => null, bad: () => new Uint8Array(1), vectors: [{ answer: () => Uint8Array.of(49, 10), values: ['1'] }] };
    expect(clausesOfDriver(asked).every(({ id }) => id.startsWith('P'))).toBe(true);
    expect(() => clausesOfDriver({ ...stream, options: asks })).toThrow(/delivery polled with these options; give isPoll/);
    expect(() => clausesOfDriver({ ...asked, options: streams })).toThrow(/delivery pushed with these options; give vectors with bytes/);
  });
});
