import { describe, expect, it } from 'vitest';
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
