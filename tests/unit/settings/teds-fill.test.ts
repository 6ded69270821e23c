import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import type { ChannelSettings } from '../../../daemon/settings/schema.ts';
import { formatFault } from '../../../daemon/settings/settings-fault.ts';
import { UNREAD_CAPACITY } from '../../../shared/transducer.ts';

/** A torque sensor of 100 N.m and 2 mV/V, serial number 12345, calibrated on 2024-03-15 for 365 days. */
const { synthetic_torque_example: sensor, published_dump: dump } = JSON.parse(readFileSync(new URL('../../vectors/teds.json', import.meta.url), 'utf8')) as {
  synthetic_torque_example: { basic_hex: string; hex_unpaged: string; pages_32B_with_checksum: string[] }; published_dump: { page0_with_checksum: string; page1_with_checksum: string };
};
const memory = sensor.pages_32B_with_checksum.join('');

const file = (transducer: string, channel = ''): string => `instruments:
  - id: bench-a
    link: { kind: tcp, host: 127.0.0.1, port: 4001 }
    driver: { id: ascii-lines, options: { commands: { teds: { send: DATASHEET } } } }
    channels:
      - ${channel}transducer: { ${transducer} }
        capture: { mode: peak }
`;
const channelOf = (transducer: string, channel = ''): ChannelSettings => {
  const { settings, faults } = parseSettings(file(transducer, channel), gatewayChecks);
  expect(faults).toEqual([]);
  return settings!.instruments[0]!.channels[0]!;
};
const faults = (transducer: string): string[] => parseSettings(file(transducer), gatewayChecks).faults.map((fault) => `${fault.code} ${formatFault('f', fault)}`);

describe('a transducer that describes itself', () => {
  it.each([
    ['the pages of its memory in hexadecimal', `{ data: "${memory}" }`],
    ['the same in base64', `{ data: "${Buffer.from(memory, 'hex').toString('base64')}" }`],
    ['the bytes without checksums', `{ data: "${sensor.hex_unpaged}", paged: false }`],
  ])('needs nothing else: %s', (_, teds) => {
    const { transducer } = channelOf(`teds: ${teds}`);
    expect(transducer).toMatchObject({ serialNumber: '12345', capacity: 100, bridge: { ratedTorque: 100 }, calibration: { date: '2024-03-15', due: '2025-03-15', k: 2 } });
    expect(transducer.bridge!.sensitivity).toBeCloseTo(2, 6);
  });

  it('counts in the unit of its channel', () => {
    const { transducer } = channelOf(`teds: { data: "${memory}" }`, 'unit: cN.m\n        ');
    expect(transducer).toMatchObject({ capacity: 10_000, bridge: { ratedTorque: 10_000 } });
  });

  it('can be corrected by hand, value by value', () => {
    const { transducer } = channelOf(`teds: { data: "${memory}" }, serialNumber: HF-T-0007, bridge: { ratedTorque: 100, sensitivity: 2.0013 }, calibration: { certificate: C-1 }`);
    expect(transducer).toMatchObject({
      serialNumber: 'HF-T-0007', capacity: 100, bridge: { sensitivity: 2.0013, zeroBalance: 0 }, calibration: { certificate: 'C-1', date: '2024-03-15', due: '2025-03-15' },
    });
  });

  it('was calibrated anew when a date is given: the old due day does not hold', () => {
    const { transducer } = channelOf(`teds: { data: "${memory}" }, calibration: { date: 2026-05-04 }`);
    expect(transducer.calibration).toMatchObject({ date: '2026-05-04' });
    expect(transducer.calibration.due).toBeUndefined();
  });

  it('and hands its data sheet out through the device needs nothing; what is given is checked then', () => {
    expect(channelOf('teds: { from: device }, capacity: 100', 'signal: { kind: mV/V }\n        ').transducer).toMatchObject({ serialNumber: 'not read yet', capacity: 100, teds: { from: 'device', paged: true } });
    expect(channelOf('teds: { from: device }, serialNumber: "12345", capacity: 100').transducer.serialNumber).toBe('12345');
    // Nothing is beyond a capacity that is not known yet.
    expect(faults('teds: { from: device }, lowestTorque: 5')).toEqual([]);
    expect(channelOf('teds: { from: device }').transducer).toMatchObject({ serialNumber: 'not read yet', capacity: UNREAD_CAPACITY });
  });

  it('that tells only its serial number leaves the rest to be given', () => {
    expect(channelOf(`teds: { data: "${sensor.basic_hex}", paged: false }, capacity: 25`).transducer).toMatchObject({ serialNumber: '12345', capacity: 25 });
    expect(faults(`teds: { data: "${sensor.basic_hex}", paged: false }`)).toEqual([expect.stringMatching(/^TEDS_NOT_TORQUE f:6:\d+ .*transducer\.teds: no bridge template was decoded/)]);
  });
});

describe('a data sheet that does not serve is told at its place', () => {
  it.each([
    ['with a wrong checksum', `{ data: "${memory.replace('2bc0', '2bc1')}" }`, /TEDS_CHECKSUM f:6:\d+ .*transducer\.teds: the checksum of page 1 is wrong/],
    ['of another sensor', `{ data: "${dump.page0_with_checksum}${dump.page1_with_checksum}" }`, /TEDS_NOT_TORQUE .*m\/s²/],
    ['cut off', `{ data: "${memory.slice(0, 60)}" }`, /TEDS_FORMAT .*no whole pages/],
    ['that is no bytes', '{ data: "2bc0 hello" }', /TEDS_FORMAT .*neither in hexadecimal nor in base64/],
    ['that is empty', '{ data: "" }', /SETTINGS_INVALID .*teds\.data/],
    ['from two places', `{ data: "${memory}", from: device }`, /SETTINGS_INVALID .*teds.*needs data, or from: device; one of them/],
    ['from nowhere', '{ paged: false }', /SETTINGS_INVALID .*teds.*needs data, or from: device; one of them/],
    ['with another word', `{ data: "${memory}", pages: true }`, /SETTINGS_INVALID .*teds\.pages: is not a setting here/],
  ])('%s', (_, teds, message) => expect(faults(`teds: ${teds}, serialNumber: A, capacity: 1`).join('\n')).toMatch(message));
});
