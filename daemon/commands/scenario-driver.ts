/** Which driver reads an instrument of the simulator, and with which options. */
import { framePlaces, rangeOf, type FrameFormat, type RunningInstrument, type SelectorPlan } from '../../simulator/index.ts';

export function driverInput(instrument: RunningInstrument): { id: string; options: object } {
  const { plan } = instrument;
  switch (plan.kind) {
    case 'lines': return { id: 'ascii-lines', options: lineOptions(instrument) };
    case 'frames': return sendsCounts(instrument) ? { id: 'raw-counts', options: countOptions(instrument) } : { id: 'framed-binary', options: frameOptions(instrument) };
    case 'scpi': return { id: 'scpi', options: scpiOptions(instrument) };
    case 'modbus': return { id: plan.modbus!.transport === 'tcp' ? 'modbus-tcp' : 'modbus-rtu', options: modbusOptions(instrument) };
  }
}

/**
 * Questions per second. Up to two periods an answer may take without a sample being lost, and a machine with other work
 * is late by some tens of milliseconds; Modbus RTU also keeps a silence before each request, and each unit of a bus needs one.
 */
const ASKED_HZ = 40;

/** With one converter all inputs take their turn in each round, and settle. */
function selectedHz({ plan: { selector }, channels }: RunningInstrument): number {
  return selector ? Math.floor(10_000 / (channels.length * (selector.settleMs + 2_000 / ASKED_HZ))) / 10 : ASKED_HZ;
}

/** How often a gateway asks an instrument that says nothing by itself; null: it streams. */
export function pollRateHz(instrument: RunningInstrument): number | null {
  const { plan, sampleRateHz } = instrument;
  const isAsked = plan.kind === 'scpi' || plan.kind === 'modbus' || (plan.kind === 'lines' && !plan.startsByItself && plan.commands.read !== null);
  if (!isAsked) return null;
  const units = new Set(plan.modbus?.registers.map((place) => place.unit)).size;
  return Math.min(plan.modbus?.transport === 'rtu' ? ASKED_HZ / units : selectedHz(instrument), sampleRateHz);
}

/** Whether the data sheet of the first channel's transducer is read at each connection. */
export function asksForSheet({ plan, dataSheet }: RunningInstrument): boolean {
  if (dataSheet === null) return false;
  switch (plan.kind) {
    case 'scpi': return true;
    case 'lines': return plan.commands.dataSheet !== null;
    // Among frames that stream by themselves the answer could not be found.
    case 'frames': return plan.frames.commands.dataSheet !== undefined && plan.frames.commands.start !== undefined && !plan.startsByItself;
    case 'modbus': return false;
  }
}

/** How the lines of the simulator's format are to be read. */
function lineOptions(instrument: RunningInstrument): object {
  const { channels, plan: { format, commands, startsByItself, selector } } = instrument;
  const columnOf = (name: string): number => format.columns.indexOf(name) + 1;
  const unitColumn = columnOf('unit');
  const statusColumn = columnOf('status');
  const rateHz = pollRateHz(instrument);
  return {
    // A line feed is the default, and a carriage return before it does no harm.
    ...(/^\r?\n$/.test(format.delimiter) ? {} : { delimiter: format.delimiter }),
    ...(format.columns.length > 1 ? { separator: format.separator } : {}),
    ...(format.decimalSign === ',' ? { decimal: 'comma' } : {}),
    channels: (selector ? [0] : channels.map((_, i) => i)).map((i) => ({
      column: columnOf(`channel-${i + 1}`),
      ...(unitColumn > 0 ? { unitColumn } : {}),
      ...(statusColumn > 0 ? { statusColumn } : {}),
    })),
    status: { overload: [format.statusWords.overload], good: [format.statusWords.ok] },
    commands: {
      ...(commands.start !== null && !startsByItself && rateHz === null ? { start: commands.start } : {}),
      ...(commands.zero === null ? {} : { zero: commands.zero }),
      ...(asksForSheet(instrument) ? { teds: { send: commands.dataSheet } } : {}),
    },
    ...(rateHz === null ? {} : { poll: { rateHz, request: commands.read, ...(selector ? { inputs: channels.map((_, i) => lineInput(selector, i + 1)) } : {}) } }),
  };
}

function lineInput({ command, confirms, settleMs }: SelectorPlan, number: number): object {
  return { select: { send: `${command}${number}`, ...(confirms ? { answer: `^${command}${number}$` } : {}), settleMs } };
}

/** Whether the driver of bridge amplifiers knows these frames. */
function sendsCounts({ channels, plan: { frames } }: RunningInstrument): boolean {
  return channels[0]!.unit === '{count}' && /^i/.test(frames.type) && frames.scale === 1 && !frames.status && frames.channels === 'together';
}

function countOptions(instrument: RunningInstrument): object {
  const { channels, plan: { frames, startsByItself } } = instrument;
  return {
    framing: frames.framing,
    ...(frames.framing === 'sync' ? { sync: frames.sync } : {}),
    ...(frames.counter === null ? {} : { counter: frames.counter }),
    channels: channels.length,
    bits: Number(frames.type.slice(1)),
    byteOrder: frames.byteOrder,
    ...(frames.checksum === null ? {} : { checksum: frames.checksum }),
    commands: { ...startAndStop(frames, startsByItself), ...sheetCommand(instrument) },
  };
}

function frameOptions(instrument: RunningInstrument): object {
  const { channels, plan: { frames, startsByItself } } = instrument;
  const places = framePlaces(frames, channels.length);
  const isWhole = frames.type.startsWith('i');
  const bits = 8 * places.valueBytes;
  const value = (i: number): object => ({
    at: places.valuesAt + i * places.valueBytes, type: frames.type,
    ...(isWhole ? { scale: frames.scale, overloadBelow: -(2 ** (bits - 1)), overloadAbove: 2 ** (bits - 1) - 1 } : {}),
  });
  return {
    framing: frames.framing === 'sync' ? { kind: 'sync', bytes: frames.sync, length: places.length } : { kind: frames.framing, maxBytes: places.length },
    byteOrder: frames.byteOrder,
    ...(places.counterAt === null ? {} : { counter: { at: places.counterAt, type: frames.counter } }),
    channels: frames.channels === 'interleaved' ? [value(0)] : channels.map((_, i) => value(i)),
    ...(places.channelNumberAt === null ? {} : { frameChannel: { at: places.channelNumberAt, numbers: channels.map((_, i) => i) } }),
    ...(places.statusAt === null ? {} : { status: { at: places.statusAt, overload: [0] } }),
    ...(frames.checksum === null ? {} : { checksum: { name: frames.checksum } }),
    commands: { ...startAndStop(frames, startsByItself), ...sheetCommand(instrument), ...(frames.commands.zero === undefined ? {} : { zero: frames.commands.zero }) },
  };
}

function sheetCommand(instrument: RunningInstrument): object {
  return asksForSheet(instrument) ? { teds: { send: instrument.plan.frames.commands.dataSheet, bytes: instrument.dataSheet!.length } } : {};
}

function startAndStop({ commands: { start, stop } }: FrameFormat, startsByItself: boolean): object {
  return { ...(start === undefined || startsByItself ? {} : { start }), ...(stop === undefined || startsByItself ? {} : { stop }) };
}

function scpiOptions(instrument: RunningInstrument): object {
  const { channels, plan: { scpi: { terminator }, selector } } = instrument;
  return {
    poll: { rateHz: pollRateHz(instrument)! },
    queries: selector
      ? channels.map((_, i) => ({ select: { send: `ROUT:SEL ${i + 1};:ROUT:SEL?`, answer: `^${i + 1}$`, settleMs: selector.settleMs }, text: 'READ?' }))
      : [{ text: 'READ?', values: channels.map((_, i) => i + 1) }],
    ...(/^\r?\n$/.test(terminator) ? {} : { terminators: { receive: terminator } }),
    commands: { zero: 'CAL:ZERO', ...(asksForSheet(instrument) ? { teds: { send: 'DIAG:TEDS?' } } : {}) },
  };
}

function modbusOptions(instrument: RunningInstrument): object {
  const { registers, zero } = instrument.plan.modbus!;
  return {
    poll: { rateHz: pollRateHz(instrument)! },
    channels: registers.map(({ unit, kind, address, type, order, scale }) => ({
      unit, function: kind === 'holding' ? 3 : 4, address, type, order,
      ...(type === 'f32' ? {} : { scale, overload: [...rangeOf(type)].filter((code) => code !== 0) }),
    })),
    commands: zero === null ? {} : { zero: { unit: zero.unit, address: zero.address, values: [1] } },
  };
}
