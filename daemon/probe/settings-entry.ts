/** The settings that a proposal amounts to. Pure. */
import { stringify } from 'yaml';
import { gatewayChecks } from '../settings/default-checks.ts';
import { parseSettings } from '../settings/load-settings.ts';
import { surenessWord, type LinesAnalysis } from './heard.ts';
import type { ProbeResult } from './probe-port.ts';

/** Where the port leads to; a serial link's rate is added by what was found. */
export type ProbedPlace = { readonly kind: 'serial'; readonly path: string } | { readonly kind: 'tcp'; readonly host: string; readonly port: number };

/** Stands where only a person can know; `enabled: false` keeps the gateway from using it. */
const CAPACITY_UNKNOWN = 1;
const SERIAL_UNKNOWN = 'to be filled in';

export interface ProposedSettings {
  readonly settings: { readonly instruments: readonly object[] };
  readonly yaml: string;
}

/** A whole settings file with one instrument, which is not enabled: capacity and serial number are not in the bytes. */
export function proposedSettings(place: ProbedPlace, result: ProbeResult & { readonly analysis: LinesAnalysis }): ProposedSettings {
  const plain = build(place, result, {});
  // The default mode may need more samples per second than the device sends.
  const settings = isFine(plain) ? plain : build(place, result, { mode: 'track' });
  const { analysis } = result;
  const comments = [
    `${surenessWord(analysis.sureness)} (${Math.round(analysis.sureness * 100)} %); heard: ${JSON.stringify(analysis.example)}`,
    ...analysis.reasons.map((reason) => `+ ${reason}`),
    ...analysis.doubts.map((doubt) => `? ${doubt}`),
    `? capacity and serialNumber are not in the bytes: read them from the transducer, then set enabled to true`,
    ...(place.kind === 'serial' && result.baudRate === null ? ['? the baud rate cannot be told here: this port has none (a pseudo terminal)'] : []),
  ];
  return { settings, yaml: `${comments.map((line) => `# ${line}`).join('\n')}\n${stringify(settings).trimEnd()}` };
}

function build(place: ProbedPlace, { analysis, baudRate, identity }: ProbeResult & { readonly analysis: LinesAnalysis }, capture: object): { instruments: object[] } {
  const framing = { ...(analysis.dataBits === 8 ? {} : { dataBits: analysis.dataBits }), ...(analysis.parity === 'none' ? {} : { parity: analysis.parity }) };
  return {
    instruments: [{
      id: 'probed',
      enabled: false,
      link: place.kind === 'serial' ? { ...place, ...(baudRate === null ? {} : { baudRate }), ...framing } : place,
      driver: { id: 'ascii-lines', options: { ...analysis.options, ...(identity === null ? {} : { commands: { identify: { send: '*IDN?' } } }) } },
      channels: analysis.units.map((unit) => ({
        unit: unit ?? 'N.m',
        ...(analysis.sampleRateHz === null ? {} : { sampleRateHz: analysis.sampleRateHz }),
        transducer: { serialNumber: SERIAL_UNKNOWN, capacity: Math.max(CAPACITY_UNKNOWN, Math.ceil(analysis.largest)) },
        ...(Object.keys(capture).length === 0 ? {} : { capture }),
      })),
    }],
  };
}

function isFine(settings: object): boolean {
  return parseSettings(stringify(settings), gatewayChecks).settings !== null;
}
