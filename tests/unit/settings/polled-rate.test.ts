import { describe, expect, it } from 'vitest';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { driverRate } from '../../../daemon/settings/driver-rate.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import type { DriverDefinition } from '../../../drivers/api.ts';
import { scpi } from '../../../drivers/protocols/scpi/driver.ts';

const faults = (poll: string, channel: string, filter = '{ kind: none }'): readonly string[] => parseSettings(`instruments:
  - id: lab-2
    link: { kind: tcp, host: 127.0.0.1, port: 5025 }
    driver: { id: scpi, options: { poll: ${poll} } }
    channels: [{ ${channel} transducer: { serialNumber: HF-T-0001, capacity: 60 }, capture: { mode: peak, filter: ${filter} } }]
`, gatewayChecks).faults.map((fault) => fault.message);

describe('the rate at which a driver asks', () => {
  it('is the sample rate for which capture is checked', () => {
    const filter = '{ kind: butterworth, order: 2, cutoffHz: 50 }';
    expect(faults('{ rateHz: 20 }', '', filter).length).toBe(1);
    expect(faults('{ rateHz: 500 }', '', filter)).toEqual([]);
    expect(faults('{ asFastAsAnswered: true }', '', filter)).toEqual([]);
  });

  it('must be that of the channel, where the channel declares one', () => {
    expect(faults('{ rateHz: 20 }', 'sampleRateHz: 20,')).toEqual([]);
    expect(faults('{ rateHz: 20 }', 'sampleRateHz: 100,')).toEqual(['is 100, but the driver asks 20 times a second; allowed is that, or nothing']);
    expect(faults('{ asFastAsAnswered: true }', 'sampleRateHz: 100,')).toEqual([]);
  });

  it('that a driver cannot give, or gives wrongly, is measured', () => {
    const broken = (rate: () => number): DriverDefinition => ({ ...scpi, sampleRateHz: rate });
    expect([driverRate(broken(() => Number.NaN), {}), driverRate(broken(() => -1), {}), driverRate(broken(() => { throw new Error('no'); }), {}), driverRate(null, {})]).toEqual([null, null, null, null]);
  });
});
