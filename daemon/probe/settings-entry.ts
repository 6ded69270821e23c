/** The settings that a proposal amounts to. Pure. */
import { stringify } from 'yaml';
import { toFillIn } from '../settings/unfilled.ts';
import { surenessWord, type FramesAnalysis, type LinesAnalysis, type ModbusAnalysis, type ProposedAnalysis } from './heard.ts';
import type { ProbeResult } from './probe-port.ts';

/** Where the port leads to; the rate is added by what was found. */
export type ProbedPlace =
  | { readonly kind: 'serial'; readonly path: string }
  | { readonly kind: 'tcp' | 'rfc2217'; readonly host: string; readonly port: number };

/** Stands where only a person can know; check-config takes none of them. */
const UNKNOWN = {
  unit: toFillIn('unit of the values, for example N.m'),
  serialNumber: toFillIn('serial number that stands on the transducer'),
  mode: toFillIn('mode, one of track, peak, first-peak'),
  scale: toFillIn('torque of one step of the number'),
  address: toFillIn('address of the register that holds the torque'),
  type: toFillIn('type of the register, for example i16, i32 or f32'),
};
const MODBUS_RATE_HZ = 10;

export interface ProposedSettings {
  readonly settings: { readonly instruments?: readonly object[]; readonly scanners?: readonly object[] };
  readonly yaml: string;
}

type Proposal = ProbeResult & { readonly analysis: ProposedAnalysis };

/** A whole settings file with one device, which is not enabled: not everything is in the bytes. */
export function proposedSettings(place: ProbedPlace, result: Proposal): ProposedSettings {
  const settings = build(place, result);
  const { analysis } = result;
  const comments = [
    `${surenessWord(analysis.sureness)} (${Math.round(analysis.sureness * 100)} %); heard: ${JSON.stringify(analysis.example)}`,
    ...analysis.reasons.map((reason) => `+ ${reason}`),
    ...analysis.doubts.map((doubt) => `? ${doubt}`),
    analysis.kind === 'codes' ? '? set enabled to true when it is right' : '? what stands in <fill in …> is not in the bytes; check-config names every such line. Then set enabled to true',
    ...(place.kind === 'serial' && result.baudRate === null ? ['? the baud rate cannot be told here: this port has none (a pseudo terminal)'] : []),
  ];
  return { settings, yaml: `${comments.map((line) => `# ${line}`).join('\n')}\n${stringify(settings, { aliasDuplicateObjects: false, lineWidth: 0 }).trimEnd()}` };
}

function build(place: ProbedPlace, result: Proposal): { instruments: object[] } | { scanners: object[] } {
  const { analysis, baudRate } = result;
  const link = place.kind === 'tcp' ? place : { ...place, ...(baudRate === null ? {} : { baudRate }), ...characters(analysis) };
  if (analysis.kind === 'codes') {
    return { scanners: [{ id: 'probed', enabled: false, link, ...(analysis.delimiter === '\r' ? {} : { delimiter: analysis.delimiter }) }] };
  }
  const channel = (unit: string | null, rateHz: number | null): object => ({
    unit: unit ?? UNKNOWN.unit,
    ...(rateHz === null ? {} : { sampleRateHz: rateHz }),
    transducer: { serialNumber: UNKNOWN.serialNumber, capacity: toFillIn(`rated torque of the transducer, in ${unit ?? 'the unit of the channel'}`) },
    capture: { mode: UNKNOWN.mode },
  });
  const instrument = (driver: object, channels: readonly object[], more: object = {}): { instruments: object[] } => (
    { instruments: [{ id: 'probed', enabled: false, link, driver, ...more, channels }] }
  );
  switch (analysis.kind) {
    case 'lines':
    case 'frames': {
      const { units, sampleRateHz } = analysis;
      const driver = analysis.kind === 'lines' ? { id: 'ascii-lines', options: lineOptions(analysis, result.identity) } : { id: 'framed-binary', options: frameOptions(analysis) };
      return instrument(driver, units.map((unit) => channel(unit, sampleRateHz)));
    }
    case 'scpi': {
      const { options, channels, identity } = analysis;
      return instrument({ id: 'scpi', options }, Array.from({ length: channels }, () => channel(null, null)), { identity });
    }
    case 'modbus':
      return instrument({ id: `modbus-${analysis.transport}`, options: modbusOptions(analysis) }, analysis.units.map(() => channel(null, null)));
  }
}

/** How characters are framed on the wire, where it is not the usual. */
function characters(analysis: ProposedAnalysis): object {
  switch (analysis.kind) {
    case 'lines':
    case 'codes':
      return { ...(analysis.dataBits === 8 ? {} : { dataBits: analysis.dataBits }), ...(analysis.parity === 'none' ? {} : { parity: analysis.parity }) };
    case 'modbus': return analysis.parity === 'none' ? {} : { parity: analysis.parity };
    default: return {};
  }
}

function lineOptions({ options, asked }: LinesAnalysis, identity: string | null): object {
  const commands = { ...(options['commands'] as object | undefined), ...(identity === null ? {} : { identify: { send: '*IDN?' } }), ...(asked?.request === '' ? { ending: '' } : {}) };
  return {
    ...options,
    ...(Object.keys(commands).length === 0 ? {} : { commands }),
    ...(asked === null ? {} : { poll: { rateHz: asked.rateHz, request: asked.request === '' ? '\r' : asked.request } }),
  };
}

/** Whole numbers are steps of something. */
function frameOptions({ options }: FramesAnalysis): object {
  const channels = options['channels'] as readonly { readonly type: string }[];
  return { ...options, channels: channels.map((place) => (place.type.startsWith('f') ? place : { ...place, scale: UNKNOWN.scale })) };
}

function modbusOptions({ units }: ModbusAnalysis): object {
  return {
    poll: { rateHz: Number(Math.max(1, MODBUS_RATE_HZ / units.length).toPrecision(2)) },
    channels: units.map(({ unit, function: code }) => ({ unit, function: code, address: UNKNOWN.address, type: UNKNOWN.type, scale: UNKNOWN.scale })),
  };
}
