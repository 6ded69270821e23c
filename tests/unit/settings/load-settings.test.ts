import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import * as z from 'zod';
import type { SettingsChecks } from '../../../daemon/settings/check-settings.ts';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { defaultSettings, parseSettings } from '../../../daemon/settings/load-settings.ts';
import { loadSettings } from '../../../daemon/settings/read-settings.ts';
import { formatFault } from '../../../daemon/settings/settings-fault.ts';
import { defineDriver, type DriverDefinition } from '../../../drivers/api.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

const driver = defineDriver({
  apiVersion: 1, id: 'two-column', title: 'A driver for tests',
  optionsSchema: z.strictObject({ separator: z.enum([';', ',']), channels: z.number().int().min(1).max(2).default(1) }),
  capabilities: { delivery: 'pushed', identifies: false, commands: [] },
  channelCount: (options) => options.channels,
  createSession: () => {
    throw new Error('not used here');
  },
}) as unknown as DriverDefinition;

const checks: SettingsChecks = {
  findDriver: (id) => (id === driver.id ? driver : undefined),
  driverIds: () => [driver.id],
  driverFaults: [],
  checkCapture: (settings, rateHz) => (settings.filter.kind === 'butterworth' && rateHz !== null && settings.filter.cutoffHz > 0.4 * rateHz
    ? [new TorsiondError('RATE_TOO_LOW', `${settings.filter.cutoffHz} Hz on ${rateHz} S/s`)]
    : []),
};

/** Every fault as `line:column path: message`. */
function faults(text: string): string[] {
  return parseSettings(text, checks).faults.map((fault) => formatFault('s.yaml', fault).replace(/^s\.yaml:/, ''));
}

const instrument = (extra: { options?: string; channel?: string; link?: string; capture?: string } = {}): string => `instruments:
  - id: bench-a
    link: ${extra.link ?? '{ kind: tcp, host: 127.0.0.1, port: 4001 }'}
    driver:
      id: two-column
      options: ${extra.options ?? '{ separator: ";" }'}
    channels:
      - ${extra.channel ?? 'sampleRateHz: 1000'}
        transducer: { serialNumber: HF-T-0001, capacity: 60 }
        capture: ${extra.capture ?? '{ mode: peak }'}
`;

describe('a settings file', () => {
  it('that is empty means all defaults', () => {
    expect(parseSettings('', checks).settings).toEqual(defaultSettings());
    expect(parseSettings('# nothing yet\n', checks).settings).toEqual(defaultSettings());
  });

  it('without faults gives settings with every default filled in', () => {
    const { settings, faults: none } = parseSettings(instrument(), checks);
    expect(none).toEqual([]);
    expect(settings!.instruments[0]!.channels[0]!.capture.mode).toBe('peak');
    expect(settings!.instruments[0]!.silenceMs).toBe(2_000);
  });

  it('tells every fault at once, in the order of the file, each at its own line and column', () => {
    expect(faults(`station: 5
sation: x
server:
  port: 99999
instruments:
  - id: Bench A
    link: { kind: serail, path: /dev/x }
    driver: { id: two-column, opions: {} }
    channels:
      - transducer: { serialNumber: HF-T-0001, capacity: -1 }
        sign: 3
        capture:
          mode: pek
          filter: { kind: butterworth, order: 3 }
`)).toEqual([
      '1:10 station: is 5; write it in quotes, "5"; allowed is a text of 1 to 80 characters',
      '2:1 sation: is not a setting here; did you mean "station"? allowed are station, server, drivers, instruments, scanners',
      '4:9 server.port: is 99999; allowed is a whole number of at least 0 and at most 65535',
      '6:9 instruments[0].id: is "Bench A"; use lower-case letters, digits and -, at most 40, not starting with -',
      '7:19 instruments[0].link.kind: is "serail"; did you mean "serial"? allowed are serial, tcp, rfc2217, usb, hid, browser, browser-usb',
      '8:31 instruments[0].driver.opions: is not a setting here; did you mean "options"? allowed are id, options',
      '10:58 instruments[0].channels[0].transducer.capacity: is -1; allowed is a number above 0',
      '11:15 instruments[0].channels[0].sign: is 3; allowed are 1, -1',
      '13:17 instruments[0].channels[0].capture.mode: is "pek"; did you mean "peak"? allowed are track, peak, first-peak, pulse',
      '14:11 instruments[0].channels[0].capture.filter.cutoffHz: is missing; allowed is a number above 0',
      '14:47 instruments[0].channels[0].capture.filter.order: is 3; allowed are 2, 4',
    ]);
  });

  it('names what a USB device at a page cannot have: a line, and a socket that no page can see', () => {
    expect(faults(instrument({ link: "{ kind: browser-usb, vendorId: '1209', productId: '0001', packetHeaderBytes: 2 }" }))).toEqual([]);
    expect(faults(instrument({ link: "{ kind: browser-usb, vendorId: '1209', productId: '0001', baudRate: 9600, place: 1-2 }" }))).toEqual([
      '3:69 instruments[0].link.baudRate: is not a setting here; allowed are kind, vendorId, productId, serialNumber, configuration, interface, inEndpoint, outEndpoint, packetHeaderBytes',
      '3:85 instruments[0].link.place: is not a setting here; allowed are kind, vendorId, productId, serialNumber, configuration, interface, inEndpoint, outEndpoint, packetHeaderBytes',
    ]);
  });

  it('tells what only the whole gateway knows beside what the schema says', () => {
    expect(faults(`server: { port: -1 }
${instrument({ options: '{ separator: ";", chanels: 1 }', channel: 'sampleRateHz: 200', capture: '{ mode: peak, filter: { kind: butterworth, order: 2, cutoffHz: 500 } }' })}
  - id: bench-b
    link: { kind: tcp, host: 127.0.0.1, port: 4002 }
    driver: { id: two-colum }
    channels:
      - transducer: { serialNumber: HF-T-0002, capacity: -1 }
        capture: { mode: peak }
`)).toEqual([
      expect.stringMatching(/^1:17 server\.port: is -1; /),
      expect.stringMatching(/^7:34 instruments\[0\]\.driver\.options\.chanels: is not a setting here; /),
      expect.stringMatching(/^11:40 instruments\[0\]\.channels\[0\]\.capture\.filter: 500 Hz on 200 S\/s/),
      expect.stringMatching(/^15:19 instruments\[1\]\.driver\.id: there is no driver "two-colum"/),
      expect.stringMatching(/^17:58 instruments\[1\]\.channels\[0\]\.transducer\.capacity: is -1; /),
    ]);
  });

  it('says that a number where a text is needed wants quotes', () => {
    expect(faults(instrument().replace('HF-T-0001', '4711'))).toEqual([expect.stringMatching(/serialNumber: is 4711; write it in quotes, "4711"; allowed is a text of 1 to 80 characters$/)]);
  });

  it('names a key that stands twice', () => {
    expect(faults('station: a\nserver:\n  port: 1\n  port: 2\n')).toEqual([
      '4:3: "port" stands twice in the same map; each key is allowed once',
    ]);
  });

  it.each([
    ['a list is open', 'a: [1, 2', /^1:9: is not YAML: /],
    ['a tab indents', 'server:\n\tport: 1\n', /^2:1: a tab indents this line; only spaces are allowed$/],
    ['a second document follows', 'station: a\n---\nstation: b\n', /^2:1: a second document begins here; one is allowed$/],
    ['the file is a list', '- 1\n', /^1:1: is a list of 1; allowed is a map with station, server, drivers, instruments, scanners$/],
    ['a tag is unknown', 'station: !secret x\n', /^1:10: is not YAML: /],
  ])('says where when %s', (_what, text, expected) => {
    expect(faults(text)[0]).toMatch(expected);
  });

  it('names a setting that is there but empty', () => {
    expect(faults('instruments:\n')).toEqual([expect.stringMatching(/^1:13 instruments: is empty; allowed is a list of at most 64 entries$/)]);
  });

  it('finds faults behind an alias at the place that the alias names', () => {
    expect(faults('server: &s { port: -1 }\nstation: *s\n')).toEqual([
      '1:12 station: is a map; allowed is a text of 1 to 80 characters',
      '1:20 server.port: is -1; allowed is a whole number of at least 0 and at most 65535',
    ]);
  });
});

describe('driver options', () => {
  it('are checked by the schema of the driver, with their own positions', () => {
    expect(faults(instrument({ options: '{ separator: "|", chanels: 1 }' }))).toEqual([
      '6:29 instruments[0].driver.options.separator: is "|"; allowed are ;, ,',
      '6:34 instruments[0].driver.options.chanels: is not a setting here; did you mean "channels"? allowed are separator, channels',
    ]);
  });

  it('of a driver that does not exist are told with the drivers that do', () => {
    const text = instrument().replace('id: two-column', 'id: two-colum');
    expect(parseSettings(text, checks).faults[0]!.code).toBe('DRIVER_UNKNOWN');
    expect(faults(text)).toEqual(['5:11 instruments[0].driver.id: there is no driver "two-colum"; did you mean "two-column"? known are two-column']);
  });

  it('must describe as many channels as the settings list', () => {
    expect(faults(instrument({ options: '{ separator: ";", channels: 2 }' }))).toEqual([
      '7:5 instruments[0].channels: has 1 of them, but the options of driver two-column describe 2; one entry per channel is needed',
    ]);
  });
});

describe('what no schema sees', () => {
  it('a filter that the declared sample rate cannot carry is refused at the filter', () => {
    const text = instrument({ channel: 'sampleRateHz: 200', capture: '{ mode: peak, filter: { kind: butterworth, order: 2, cutoffHz: 500 } }' });
    expect(parseSettings(text, checks).faults).toEqual([expect.objectContaining({ code: 'RATE_TOO_LOW', line: 10, column: 40, path: 'instruments[0].channels[0].capture.filter' })]);
  });

  it('one port cannot have two owners', () => {
    const link = '{ kind: serial, path: /dev/ttyUSB0 }';
    const second = instrument({ link }).replace('instruments:\n', '').replace('bench-a', 'bench-b');
    expect(faults(instrument({ link }) + second)).toEqual(['12:33 instruments[1].link.path: instrument "bench-a" has this port already; a port has one owner']);
  });

  it('a data sheet is to come from the device only where its driver asks for it', () => {
    const file = (driver: string, channels = 1): string => `instruments:\n  - id: bench-a\n    link: { kind: tcp, host: h, port: 1 }\n    driver: ${driver}\n    channels:\n${'      - transducer: { capacity: 60, teds: { from: device } }\n        capture: { mode: peak }\n'.repeat(channels)}`;
    const found = (text: string): string[] => parseSettings(text, gatewayChecks).faults.map(({ line, path, message }) => `${line} ${path}: ${message}`);
    expect(found(file('{ id: ascii-lines, options: { commands: { teds: { send: DATASHEET } } } }'))).toEqual([]);
    expect(found(file('{ id: ascii-lines }'))).toEqual([
      '6 instruments[0].channels[0].transducer.teds.from: is device, but the driver ascii-lines does not ask for the data sheet of this channel; needed is commands.teds in the options, which ascii-lines, scpi, raw-counts and framed-binary have',
    ]);
    expect(found(file('{ id: ascii-lines, options: { channels: [{ column: 1 }, { column: 2 }], commands: { teds: { send: DATASHEET, channel: 2 } } } }', 2))).toEqual([
      '6 instruments[0].channels[0].transducer.teds.from: is device, but the driver ascii-lines does not ask for the data sheet of this channel; its options name channel 2',
    ]);
    expect(found(file('{ id: modbus-tcp, options: { poll: { rateHz: 10 }, channels: [{ unit: 1, function: 3, address: 0, type: i16 }] } }'))).toEqual([expect.stringMatching(/^6 .* the driver modbus-tcp does not ask /)]);
  });

  it('two instruments cannot have one id', () => {
    expect(faults(instrument() + instrument().replace('instruments:\n', ''))).toEqual([
      '11:9 instruments[1].id: is "bench-a"; another instrument has this id; each id is allowed once',
    ]);
  });

  it('an address that other machines reach needs to be wanted', () => {
    expect(faults('server: { host: 0.0.0.0 }\n')).toEqual([expect.stringContaining('1:17 server.host: "0.0.0.0" can be reached by other machines')]);
    expect(faults('server: { host: 0.0.0.0, remote: true }\n')).toEqual([]);
    expect(faults('server: { host: 127.0.0.1.evil.example }\n')).toHaveLength(1);
    for (const host of ['localhost', '127.0.0.1', '127.1.2.3', '"::1"']) expect(faults(`server: { host: ${host} }\n`)).toEqual([]);
  });
});

describe('names and days', () => {
  it('that are no host names and no origins are refused here, and not only when the gateway starts', () => {
    expect(faults('server: { allowedHosts: ["a b", bench-3, "fe80::1"], allowedOrigins: ["http://bench-3/page", "https://bench-3:8080"] }\n')).toEqual([
      expect.stringMatching(/^1:26 server\.allowedHosts\[0\]: is "a b"; allowed is a host name/),
      expect.stringMatching(/^1:71 server\.allowedOrigins\[0\]: is "http:\/\/bench-3\/page"; allowed is scheme:\/\/host /),
    ]);
  });

  it('a calibration is due after it was made', () => {
    const text = (due: string): string => instrument().replace('capacity: 60', `capacity: 60, calibration: { date: 2026-04-12, due: ${due} }`);
    expect(faults(text('2027-04-12'))).toEqual([]);
    expect(faults(text('2026-04-12'))).toEqual([expect.stringContaining('calibration.due: is 2026-04-12; a day after the calibration on 2026-04-12 is allowed')]);
  });

  it('asks for the bridge of a transducer whose signal the device sends, at the transducer', () => {
    const text = (bridge: string): string => instrument({ channel: 'signal: { kind: mV/V }' }).replace('capacity: 60', `capacity: 60${bridge}`);
    expect(faults(text(''))).toEqual([expect.stringMatching(/^\d+:\d+ instruments\[0\]\.channels\[0\]\.transducer: has no bridge; /)]);
    expect(faults(text(', bridge: { sensitivity: 2 }'))).toEqual([expect.stringMatching(/\.transducer\.bridge\.ratedTorque: is missing; needed is /)]);
    expect(faults(text(', bridge: { ratedTorque: 60, sensitivity: 2 }'))).toEqual([]);
  });

  it('takes no counts for torque: a driver that sends them needs a signal that says what they mean', () => {
    const text = (signal: string): string => `instruments:
  - id: amp
    link: { kind: tcp, host: 127.0.0.1, port: 4001 }
    driver: { id: raw-counts, options: { sync: "aa 55" } }
    channels:
      - ${signal}transducer: { serialNumber: HF-T-0001, capacity: 60, bridge: { ratedTorque: 60, sensitivity: 2 } }
        capture: { mode: peak }
`;
    const found = (signal: string): string[] => parseSettings(text(signal), gatewayChecks).faults.map((fault) => fault.message);
    expect(found('')).toEqual([expect.stringContaining('is torque, but the driver raw-counts gives counts')]);
    expect(found('signal: { kind: mV/V }\n        ')).toEqual([expect.stringContaining('is mV/V')]);
    expect(found('signal: { kind: counts, fullScaleCounts: 1000000, fullScale: 2 }\n        ')).toEqual([]);
  });

  it('zero the device only where its driver can, and with all of its channels', () => {
    const text = (driver: string, second: string): string => `
instruments:
  - id: bench-a
    link: { kind: tcp, host: 127.0.0.1, port: 4000 }
    driver: ${driver}
    channels:
      - zero: { kind: command, device: true }
        transducer: { serialNumber: HF-T-0001, capacity: 60 }
        capture: { mode: peak }
      - zero: ${second}
        transducer: { serialNumber: HF-T-0002, capacity: 60 }
        capture: { mode: peak }
`;
    const lines = '{ id: ascii-lines, options: { channels: [{ column: 1 }, { column: 2 }], commands: { zero: Z } } }';
    const found = (driver: string, second: string): string[] => parseSettings(text(driver, second), gatewayChecks).faults.map((fault) => `${fault.line} ${fault.path}: ${fault.message}`);
    expect(found(lines, '{ kind: automatic, device: true }')).toEqual([]);
    expect(found(lines, '{ kind: fixed }')).toEqual([expect.stringMatching(/^10 instruments\[0\]\.channels\[1\]: has no zero\.device/)]);
    const without = { ...gatewayChecks, findDriver: (id: string) => ({ ...gatewayChecks.findDriver(id)!, capabilities: { delivery: 'pushed' as const, identifies: false, commands: [] } }) };
    expect(parseSettings(text(lines, '{ kind: command, device: true }'), without).faults.map((fault) => `${fault.line} ${fault.message}`))
      .toEqual([expect.stringMatching(/^7 is true, but the driver ascii-lines has no command/), expect.stringMatching(/^10 is true/)]);
  });
});

describe('loadSettings', () => {
  it('says which file is not there', async () => {
    await expect(loadSettings('/nonexistent/torsiond.yaml')).rejects.toMatchObject({ code: 'INPUT_NOT_FOUND', where: '/nonexistent/torsiond.yaml' });
  });

  it('refuses a folder and a file that is far too large', async () => {
    const folder = tempFolder();
    await expect(loadSettings(folder)).rejects.toMatchObject({ code: 'INPUT_FORMAT' });
    const file = join(folder, 'large.yaml');
    writeFileSync(file, '#'.repeat(2_000_000));
    await expect(loadSettings(file)).rejects.toMatchObject({ code: 'INPUT_FORMAT' });
  });

  it('throws the first fault with file, line and column, and counts the others', async () => {
    const file = join(tempFolder(), 's.yaml');
    writeFileSync(file, 'sation: x\nserver: { port: -1 }\n');
    const error: unknown = await loadSettings(file).catch((thrown: unknown) => thrown);
    expect(error).toMatchObject({ code: 'SETTINGS_INVALID', where: `${file}:1:1` });
    expect((error as TorsiondError).toLine()).toMatch(/^SETTINGS_INVALID sation: is not a setting here; .* \(and 1 more\) \(.*s\.yaml:1:1\)\. /);
  });
});
