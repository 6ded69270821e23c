/** A scenario file: which virtual instruments there are and what happens on them. Torques in N.m. */
import * as z from 'zod';
import { FaultPlan } from '../faults/fault-plan.ts';
import { FrameFormat } from '../instruments/frame-format.ts';
import { SelectorPlan } from '../instruments/input-selector.ts';
import { LineFormat } from '../instruments/line-format.ts';
import { ModbusFormat } from '../instruments/modbus-format.ts';
import { ScpiFormat } from '../instruments/scpi-instrument.ts';
import { OperatorPlan, ToolPlan } from '../instruments/tool-plan.ts';
import { SHOWN_UNITS } from '../instruments/units.ts';

const idText = z.string().regex(/^[a-z0-9][a-z0-9-]{0,39}$/, 'use lower-case letters, digits and -, at most 40, not starting with -');
const torqueNm = z.number().positive().max(100_000);

const SimulatedBridge = z.strictObject({
  sensitivity: z.number().positive().max(100).default(2).describe('Signal at the capacity, mV/V.'),
  zeroBalance: z.number().min(-10).max(10).default(0).describe('Signal without torque, mV/V.'),
  amplifier: z.strictObject({
    fullScaleCounts: z.number().positive().default(8_388_608),
    fullScale: z.number().positive().default(4).describe('mV/V at so many counts.'),
  }).prefault({}),
});

const SimulatedDataSheet = z.strictObject({
  manufacturer: z.number().int().min(17).max(16_381).describe('Invented.'),
  model: z.number().int().min(0).max(32_767),
  serial: z.number().int().min(0).max(16_777_215),
  calibratedDay: z.number().int().min(0).max(65_535).default(10_100).describe('Days since 1998-01-01.'),
  periodDays: z.number().int().min(0).max(4_095).default(365),
});

/** USB and HID have no place that another process could open. */
const portKind = z.enum(['pty', 'tcp', 'rfc2217'], { error: ({ input }) => (input === 'usb' || input === 'hid'
  ? `a simulated ${input.toUpperCase()} device cannot be reached from another process; give its port from code (startScenario, option port)` : undefined) });

export const SimulatedTransducer = z.strictObject({
  serialNumber: z.string().min(1).max(80),
  capacityNm: torqueNm,
  bits: z.number().int().min(8).max(24).default(16).describe('Converter over -capacity ... +capacity.'),
  noisePercent: z.number().min(0).max(10).default(0.03).describe('Standard deviation, per cent of the capacity.'),
  offsetPercent: z.number().min(-50).max(50).default(0).describe('Zero error, per cent of the capacity.'),
  driftPercentPerHour: z.number().min(-100).max(100).default(0),
  bandwidthHz: z.number().positive().nullable().default(null).describe('-3 dB, a single pole; null: none.'),
  bridge: SimulatedBridge.optional().describe('Needed where the instrument shows mV/V or counts.'),
  dataSheet: SimulatedDataSheet.optional().describe('Its electronic data sheet; capacity and sensitivity are written into it too.'),
  jitterUs: z.number().min(0).max(100_000).default(5).describe('Standard deviation of the sampling instants, microseconds.'),
});

export const SimulatedChannel = z.strictObject({
  title: z.string().max(80),
  unit: z.enum(['mV/V', '{count}', ...SHOWN_UNITS]).default('N.m').describe('What the instrument shows: UCUM code of a torque, mV/V, or {count}.'),
  transducer: SimulatedTransducer,
  tool: ToolPlan,
  operator: OperatorPlan.prefault({}),
  pauseS: z.tuple([z.number().min(0.05), z.number().min(0.05)]).refine(([from, to]) => from <= to, { message: 'the first must not be greater than the second' }).default([2, 4]),
  firstPullS: z.number().min(0).default(2),
  pulls: z.number().int().min(0).nullable().default(null).describe('Then rest; null: without end.'),
  suggested: z.strictObject({
    mode: z.enum(['track', 'peak', 'first-peak', 'pulse']),
    target: torqueNm, low: torqueNm, high: torqueNm,
  }).refine((limits) => limits.low <= limits.target && limits.target <= limits.high, { message: 'low ≤ target ≤ high is needed' })
    .describe('How a gateway would judge the tool, N.m.'),
});

export const SimulatedInstrument = z.strictObject({
  id: idText,
  title: z.string().max(80),
  kind: z.enum(['lines', 'frames', 'scpi', 'modbus']).default('lines').describe('Which of the parts format (with commands), frames, scpi, modbus describes it.'),
  port: portKind.default('pty').describe('Pseudo terminal, TCP, or a device server that takes line settings (RFC 2217).'),
  baudRate: z.number().int().min(50).max(12_000_000).default(115_200).describe('What a host should set; a pseudo terminal has none.'),
  sampleRateHz: z.number().min(0.1).max(200_000).default(1_000),
  clockErrorPpm: z.number().min(-10_000).max(10_000).default(20).describe('How far the instrument\'s quartz is off.'),
  pace: z.enum(['clock', 'flood']).default('clock').describe('flood: as fast as the port takes what is sent.'),
  startsByItself: z.boolean().default(true).describe('false: streams after the start command.'),
  format: LineFormat.prefault({}),
  frames: FrameFormat.prefault({}),
  scpi: ScpiFormat.prefault({}),
  modbus: ModbusFormat.optional(),
  selector: SelectorPlan.optional().describe('One converter for all channels, of instruments that are asked by lines or SCPI: a command selects the channel that is read.'),
  commands: z.strictObject({
    start: z.string().max(40).nullable().default('START'),
    stop: z.string().max(40).nullable().default('STOP'),
    zero: z.string().max(40).nullable().default('ZERO'),
    identify: z.string().max(40).nullable().default('IDENTIFY'),
    read: z.string().max(40).nullable().default(null).describe('Answered with one line.'),
    dataSheet: z.string().max(40).nullable().default(null).describe('Answered with the data sheet of the first transducer.'),
    acknowledge: z.string().max(80).default(''),
    unknown: z.string().max(80).default(''),
    identity: z.string().max(200).default(''),
  }).prefault({}),
  faults: FaultPlan.optional(),
  channels: z.array(SimulatedChannel).min(1).max(32),
}).superRefine((instrument, context) => {
  const { kind, channels, faults } = instrument;
  const fault = (path: (string | number)[], message: string): void => context.addIssue({ code: 'custom', path, message });
  const isAskedByText = kind === 'scpi' || (kind === 'lines' && !instrument.startsByItself && instrument.commands.read !== null);
  if (instrument.selector && !isAskedByText) fault(['selector'], 'belongs to instruments that are asked, of kind lines or scpi');
  const channelsInLine = instrument.selector ? 1 : channels.length;
  if (kind === 'lines' && instrument.format.columns.some((column) => column.startsWith('channel-') && Number(column.slice(8)) > channelsInLine)) {
    fault(['format', 'columns'], instrument.selector ? 'names more than one channel, and a line carries the one that is selected' : 'names a channel that the instrument does not have');
  }
  if ((kind === 'modbus') !== (instrument.modbus !== undefined)) fault(['modbus'], 'belongs to instruments of kind modbus, and they need it');
  if (instrument.modbus && instrument.modbus.registers.length !== channels.length) fault(['modbus', 'registers'], `must be as many as the channels, which are ${channels.length}`);
  channels.forEach(({ unit, transducer }, i) => {
    if ((unit === 'mV/V' || unit === '{count}') && !transducer.bridge) fault(['channels', i, 'transducer'], `needs a bridge, because ${unit} is shown`);
    if (transducer.dataSheet && !transducer.bridge) fault(['channels', i, 'transducer'], 'needs a bridge, which the data sheet describes');
  });
  if (kind === 'frames' && new Set(channels.map((channel) => channel.unit === '{count}')).size > 1) fault(['channels'], 'some show counts and some do not');
  if (faults && faults.lines.lostShare + faults.lines.duplicatedShare > 0 && (kind === 'modbus' || (kind === 'frames' && instrument.frames.framing === 'sync'))) {
    fault(['faults', 'lines'], `have no meaning here: nothing ends a message of ${kind === 'modbus' ? 'Modbus' : 'frames with sync bytes'}; take chunks, garbage and the timeline`);
  }
  const isAsked = isAskedByText || kind === 'modbus';
  if (isAsked && faults && faults.chunks.mergeShare > 0) {
    fault(['faults', 'chunks', 'mergeShare'], 'has no meaning here: after an answer nothing is sent that it could be merged with; take splitShare or lost lines');
  }
});

const scannedText = z.string().min(1).max(128);

export const SimulatedScanner = z.strictObject({
  id: idText,
  title: z.string().max(80),
  port: portKind.default('pty'),
  baudRate: z.number().int().min(50).max(12_000_000).default(9_600).describe('What a host should set; a pseudo terminal has none.'),
  delimiter: z.string().min(1).max(8).default('\r'),
  prefix: z.string().max(16).default(''),
  suffix: z.string().max(16).default(''),
  codes: z.array(scannedText).max(256).default([]).describe('Sent one after the other, with pauses between.'),
  firstS: z.number().min(0).default(2).describe('From switching on to the first of the codes.'),
  pauseS: z.tuple([z.number().min(0.05), z.number().min(0.05)]).refine(([from, to]) => from <= to, { message: 'the first must not be greater than the second' }).default([4, 8]),
  rounds: z.number().int().min(1).nullable().default(null).describe('How often the codes are gone through; null: without end.'),
  plan: z.array(z.strictObject({ atS: z.number().min(0), text: scannedText })).max(256).default([]).describe('Sent at these times after switching on.'),
  whenHeld: z.strictObject({
    channel: z.string().min(1).max(128).describe('For example bench-a/1.'),
    text: scannedText,
    holdS: z.number().min(0.05).max(60).default(0.5).describe('How long the torque must be still.'),
  }).optional().describe('Sent once in each pull, while the operator holds the torque.'),
  switches: z.array(z.strictObject({ text: scannedText, command: z.enum(['arm', 'hold', 'latch']), channel: z.string().min(1).max(128) })).max(64).default([])
    .describe('What the texts of a foot switch are to do; written into the settings.'),
  faults: FaultPlan.optional(),
});
export type SimulatedScanner = z.infer<typeof SimulatedScanner>;

export const Scenario = z.strictObject({
  title: z.string().min(1).max(120),
  description: z.string().max(2_000).default(''),
  seed: z.number().int().default(1).describe('The same seed gives the same torques and faults.'),
  instruments: z.array(SimulatedInstrument).min(1).max(64)
    .refine((list) => new Set(list.map((entry) => entry.id)).size === list.length, { message: 'two instruments have the same id' }),
  scanners: z.array(SimulatedScanner).max(16).default([]).describe('Code scanners and foot switches.'),
}).superRefine(({ instruments, scanners }, context) => {
  const taken = new Set(instruments.map((instrument) => instrument.id));
  const channels = new Set(instruments.flatMap(({ id, channels: list }) => list.map((_, c) => `${id}/${c + 1}`)));
  const unknown = (path: (string | number)[]): void => context.addIssue({ code: 'custom', path: ['scanners', ...path, 'channel'], message: `there is no such channel; there are ${[...channels].join(', ')}` });
  scanners.forEach(({ id, switches, whenHeld }, i) => {
    if (whenHeld && !channels.has(whenHeld.channel)) unknown([i, 'whenHeld']);
    if (taken.has(id)) context.addIssue({ code: 'custom', path: ['scanners', i, 'id'], message: 'another device has the same id' });
    taken.add(id);
    switches.forEach(({ channel }, j) => {
      if (!channels.has(channel)) unknown([i, 'switches', j]);
    });
  });
});
export type Scenario = z.infer<typeof Scenario>;
export type SimulatedInstrument = z.infer<typeof SimulatedInstrument>;
export type SimulatedChannel = z.infer<typeof SimulatedChannel>;
