/** The settings file. The only place with defaults; the JSON Schema and the table in config/ come from it. */
import * as z from 'zod';
import { CaptureSettings, TorqueUnitCode } from '../../shared/capture-settings.ts';
import { SignalSettings } from '../../shared/signal.ts';
import { TransducerSettings } from '../../shared/transducer.ts';
import { NAMED_UNIT } from '../../shared/units.ts';

const idText = z.string().regex(/^[a-z0-9][a-z0-9-]{0,39}$/, 'use lower-case letters, digits and -, at most 40, not starting with -');

/** How a serial line is set, whoever sets it. */
const lineSettings = {
  baudRate: z.number().int().min(50).max(12_000_000).default(115_200),
  dataBits: z.union([z.literal(7), z.literal(8)]).default(8),
  parity: z.enum(['none', 'even', 'odd']).default('none'),
  stopBits: z.union([z.literal(1), z.literal(2)]).default(1),
  rtscts: z.boolean().default(false).describe('Hardware flow control.'),
  xon: z.boolean().default(false).describe('Software flow control towards the device and from it.'),
  dtr: z.boolean().nullable().default(null).describe('Set DTR after opening; null: leave it alone.'),
  rts: z.boolean().nullable().default(null).describe('Set RTS after opening; null: leave it alone.'),
};

export const SerialLinkSettings = z.strictObject({
  kind: z.literal('serial'),
  path: z.string().min(1).describe('Port: /dev/serial/by-id/… where there is one (it survives re-plugging), else its path.'),
  ...lineSettings,
});

export const TcpLinkSettings = z.strictObject({
  kind: z.literal('tcp'),
  host: z.string().min(1),
  port: z.number().int().min(1).max(65_535),
});

export const Rfc2217LinkSettings = z.strictObject({
  kind: z.literal('rfc2217'),
  host: z.string().min(1),
  port: z.number().int().min(1).max(65_535).describe('TCP port of a device server that takes line settings (RFC 2217).'),
  ...lineSettings,
}).refine(({ rtscts, xon }) => !(rtscts && xon), { path: ['xon'], message: 'cannot go together with rtscts here; a device server takes one kind of flow control' });

const { xon: _softwareFlowControl, ...pageLineSettings } = lineSettings;
export const BrowserLinkSettings = z.strictObject({ kind: z.literal('browser'), ...pageLineSettings })
  .describe('A port at the computer of whoever has the page open: the page reads it with Web Serial and forwards the bytes.');

/** YAML takes 1209 for a number and 12e4 for another one, so the digits stand in quotes. */
const usbId = z.string().regex(/^[0-9A-Fa-f]{4}$/, 'must be four hexadecimal digits in quotes, for example "1209", as "torsiond ports" shows them');
const deviceSettings = {
  vendorId: usbId.describe('Four hexadecimal digits, in quotes.'),
  productId: usbId.describe('Four hexadecimal digits, in quotes.'),
  serialNumber: z.string().min(1).max(126).optional().describe('Needed where several such devices may be plugged in.'),
  place: z.string().regex(/^\S{1,64}$/, 'use the name of a socket as "torsiond ports" shows it, for example 1-2.3').optional()
    .describe('Socket, for example 1-2.3: tells devices apart that have no serial number. The socket is then the identity.'),
};
const endpointNumber = z.number().int().min(1).max(15).optional();

const usbEndpoints = {
  configuration: z.number().int().min(1).max(255).optional().describe('Left out: the one that is selected.'),
  interface: z.number().int().min(0).max(255).optional().describe('Left out: the only one that can be read.'),
  inEndpoint: endpointNumber.describe('Bulk or interrupt endpoint to read from; left out: the only one.'),
  outEndpoint: endpointNumber.describe('Bulk or interrupt endpoint to write to; left out: the only one.'),
  packetHeaderBytes: z.number().int().min(0).max(63).default(0).describe('Bytes that a bridge chip puts before the data of each packet.'),
};
export const UsbLinkSettings = z.strictObject({ kind: z.literal('usb'), ...deviceSettings, ...usbEndpoints });

const { place: _socket, ...pageDeviceSettings } = deviceSettings;
export const BrowserUsbLinkSettings = z.strictObject({ kind: z.literal('browser-usb'), ...pageDeviceSettings, ...usbEndpoints })
  .describe('A USB device at the computer of whoever has the page open: the page reads it with WebUSB and forwards the bytes.');

/** Where stream bytes stand in a report. */
const reportLayout = {
  offset: z.number().int().min(0).max(4_095).default(0).describe('First place of the data, counted from 0 without the report number.'),
  lengthByte: z.number().int().min(0).max(4_095).nullable().default(null).describe('Place of the byte that says how many bytes of data follow; null: all to the end.'),
};
const reportNumber = z.number().int().min(0).max(255);

export const HidLinkSettings = z.strictObject({
  kind: z.literal('hid'),
  ...deviceSettings,
  usagePage: z.number().int().min(0).max(65_535).optional().describe('Of the collection, where a device has several.'),
  usage: z.number().int().min(0).max(65_535).optional(),
  reportId: reportNumber.default(0).describe('Number of the input reports that carry data; 0: the device does not number them.'),
  payload: z.strictObject(reportLayout).prefault({}).describe('Data in input reports.'),
  output: z.strictObject({
    reportId: reportNumber.default(0).describe('0: the device does not number its reports.'),
    bytes: z.number().int().min(1).max(4_096).default(64).describe('Size of an output report without its number; the rest is filled up with 0.'),
    ...reportLayout,
  }).prefault({}).describe('Data in output reports.'),
}).refine(({ output: { bytes, offset, lengthByte } }) => offset < bytes && (lengthByte === null || lengthByte < offset),
  { path: ['output'], message: 'leaves no room for data: offset must be below bytes, and lengthByte below offset' });

export const LinkSettings = z.discriminatedUnion('kind', [
  SerialLinkSettings, TcpLinkSettings, Rfc2217LinkSettings, UsbLinkSettings, HidLinkSettings, BrowserLinkSettings, BrowserUsbLinkSettings,
]);
export type LinkSettings = z.infer<typeof LinkSettings>;
/** A scanner at another computer is read there, or by a device server. */
const ScannerLinkSettings = z.discriminatedUnion('kind', [SerialLinkSettings, TcpLinkSettings, Rfc2217LinkSettings]);

const zeroOfDevice = z.boolean().optional().describe('On command the device is zeroed too, by its driver\'s zero command, with all of its channels; what is left is zeroed here.');

export const ZeroSettings = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('fixed'), offset: z.number().default(0).describe('Subtracted after calibration, a torque.') }),
  z.strictObject({ kind: z.literal('command'), device: zeroOfDevice }),
  z.strictObject({
    kind: z.literal('automatic'),
    zone: z.number().positive().optional().describe('Only while the torque is within this of zero. Default 1 % of capacity; never more than the release threshold.'),
    quietMs: z.number().positive().default(500).describe('And still for so long, ms.'),
    device: zeroOfDevice,
  }),
]);
export type ZeroSettings = z.infer<typeof ZeroSettings>;

const channelFields = {
  title: z.string().max(80).optional(),
  unit: TorqueUnitCode.default('N.m').describe('Unit of the channel: of its readings, and of every torque among its settings.'),
  deviceUnit: z.union([TorqueUnitCode, z.literal(NAMED_UNIT)]).optional()
    .describe('What the device sends, where it is not the unit of the channel: a unit, or named (each value comes with its unit). It is then converted. A device that names another unit than is set here, or left out here than that of the channel, is refused.'),
  signal: SignalSettings.default({ kind: 'torque' }).describe('What the device sends: torque, or the signal of the bridge, which the transducer\'s `bridge` turns into torque.'),
  sign: z.union([z.literal(1), z.literal(-1)]).default(1).describe('-1 when the device counts counter-clockwise as positive.'),
  sampleRateHz: z.number().positive().max(1_000_000).optional().describe('Left out: measured while settling, then fixed for the connection.'),
  zero: ZeroSettings.default({ kind: 'automatic', quietMs: 500 }),
  transducer: TransducerSettings,
};

/** As the settings file has it: the unit of the channel is that of its capture settings. */
export const ChannelSettings = z.strictObject({ ...channelFields, capture: CaptureSettings.omit({ unit: true }).prefault({} as never) })
  .transform((channel) => ({ ...channel, capture: { ...channel.capture, unit: channel.unit } }));
export type ChannelSettings = z.infer<typeof ChannelSettings>;

const instrumentFields = {
  id: idText,
  title: z.string().max(80).optional(),
  enabled: z.boolean().default(true),
  link: LinkSettings,
  driver: z.strictObject({ id: z.string().min(1), options: z.record(z.string(), z.unknown()).default({}) }),
  identity: z.strictObject({ maker: z.string().optional(), model: z.string().optional(), serialNumber: z.string().optional() })
    .optional().describe('What the instrument must say it is; another one stops at needs-attention.'),
  silenceMs: z.number().min(50).max(600_000).default(2_000).describe('No sample for so long means stalled.'),
  simulated: z.boolean().default(false).describe('Marks every reading with the flag simulated.'),
};

export const InstrumentSettings = z.strictObject({ ...instrumentFields, channels: z.array(ChannelSettings).min(1).max(32) });
export type InstrumentSettings = z.infer<typeof InstrumentSettings>;

/** As a recording carries it: capture may have been set to another unit than the channel's since the file was read. */
export const RecordedInstrument = z.strictObject({
  ...instrumentFields, channels: z.array(z.strictObject({ ...channelFields, capture: CaptureSettings })).min(1).max(32),
});

export const ScannerSettings = z.strictObject({
  id: idText,
  title: z.string().max(80).optional(),
  enabled: z.boolean().default(true),
  link: ScannerLinkSettings,
  delimiter: z.string().min(1).max(8).default('\r').describe('Ends a code. Blanks and line feeds around a code do no harm.'),
  prefix: z.string().max(16).default('').describe('Taken off the beginning of a code where it stands there.'),
  suffix: z.string().max(16).default('').describe('Taken off the end of a code where it stands there.'),
  minLength: z.number().int().min(1).max(512).default(1).describe('Shorter codes are refused and counted.'),
  maxLength: z.number().int().min(1).max(512).default(128).describe('Longer codes are refused and counted.'),
  repeatMs: z.number().min(0).max(60_000).default(1_000).describe('The same code again within so long counts once, ms; 0: each counts.'),
  switches: z.array(z.strictObject({
    text: z.string().min(1).max(128).describe('What the switch sends, or a printed code; it is then no scan.'),
    command: z.enum(['arm', 'hold', 'latch']),
    channel: z.string().min(1).max(128).describe('For example bench-a/1.'),
  })).max(64).default([]),
});
export type ScannerSettings = z.infer<typeof ScannerSettings>;

export const ServerSettings = z.strictObject({
  host: z.string().default('127.0.0.1').describe('Listen address. Another than loopback needs remote: true and a token.'),
  port: z.number().int().min(0).max(65_535).default(7_616).describe('0: any free port.'),
  remote: z.boolean().default(false).describe('Allows a listen address that other machines reach.'),
  allowedHosts: z.array(z.string()).default([]).describe('Host names besides localhost, 127.0.0.1 and [::1].'),
  allowedOrigins: z.array(z.string()).default([]).describe('Origins of pages besides the daemon\'s own.'),
  maxClients: z.number().int().min(1).max(1_000).default(64).describe('WebSocket clients at a time.'),
  pageAccess: z.enum(['local', 'token']).default('local')
    .describe('local: the page gets its access by itself when opened on this machine; token: it always asks for a token typed by hand.'),
});
export type ServerSettings = z.infer<typeof ServerSettings>;

/** A station has a few makes of instrument; more is a mistake. */
export const MOST_LISTED_DRIVERS = 32;

export const Settings = z.strictObject({
  station: z.string().min(1).max(80).default('torsiond'),
  server: ServerSettings.prefault({}),
  drivers: z.array(z.string().min(1).max(500)).max(MOST_LISTED_DRIVERS).default([])
    .describe('Drivers from outside: package names, or paths that begin with ./, ../ or /, looked for from the folder of this file. Each is code that runs with all rights of the gateway.'),
  instruments: z.array(InstrumentSettings).max(64).default([])
    .superRefine((list, context) => list.forEach((entry, i) => {
      if (list.findIndex((other) => other.id === entry.id) === i) return;
      context.addIssue({ code: 'custom', path: [i, 'id'], message: 'another instrument has this id; each id is allowed once', input: entry.id });
    })),
  scanners: z.array(ScannerSettings).max(32).default([]).describe('Code scanners and foot switches that send lines.'),
}).superRefine(({ instruments, scanners }, context) => scanners.forEach((scanner, i) => {
  const fault = (path: (string | number)[], message: string, input: unknown): void => context.addIssue({ code: 'custom', path: ['scanners', i, ...path], message, input });
  const others = [...instruments, ...scanners.slice(0, i)];
  if (others.some((other) => other.id === scanner.id)) fault(['id'], 'an instrument or another scanner has this id; each id is allowed once', scanner.id);
  const { link } = scanner;
  const owner = link.kind !== 'serial' || !scanner.enabled ? undefined
    : others.find((other) => other.enabled && other.link.kind === 'serial' && other.link.path === link.path);
  if (link.kind === 'serial' && owner) fault(['link', 'path'], `"${owner.id}" has this port already; a port has one owner`, link.path);
  if (scanner.minLength > scanner.maxLength) fault(['minLength'], 'is more than maxLength', scanner.minLength);
  const channels = instruments.flatMap((instrument) => instrument.channels.map((_, c) => `${instrument.id}/${c + 1}`));
  scanner.switches.forEach((entry, j) => {
    if (!channels.includes(entry.channel)) fault(['switches', j, 'channel'], `there is no such channel; known are ${channels.join(', ') || 'none'}`, entry.channel);
  });
}));
export type Settings = z.infer<typeof Settings>;
