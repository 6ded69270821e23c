/** Gateway settings that fit a running scenario of the simulator. */
import { convertTorque } from '../../shared/units.ts';
import type { RunningInstrument, RunningScenario } from '../../simulator/index.ts';
import { Settings } from '../settings/schema.ts';

/** As a person would write them into a settings file; every instrument is marked as simulated. */
export function scenarioSettingsInput(scenario: RunningScenario): { station: string; instruments: object[] } {
  return { station: scenario.title, instruments: scenario.instruments.map(instrumentInput) };
}

/** The same with every default filled in. */
export function scenarioSettings(scenario: RunningScenario): Settings {
  return Settings.parse(scenarioSettingsInput(scenario));
}

function instrumentInput(instrument: RunningInstrument): object {
  const { address } = instrument;
  return {
    id: instrument.id,
    title: instrument.title,
    simulated: true,
    link: address.kind === 'serial'
      ? { kind: 'serial', path: address.path, baudRate: instrument.baudRate }
      : { kind: 'tcp', host: address.host, port: address.port },
    driver: { id: 'ascii-lines', options: lineOptions(instrument) },
    channels: instrument.channels.map((channel) => ({
      title: channel.title,
      unit: channel.unit,
      sampleRateHz: instrument.sampleRateHz,
      transducer: { serialNumber: channel.transducerSerial, capacity: convertTorque(channel.capacity, 'N.m', channel.unit) },
      capture: {
        mode: channel.suggestedMode,
        limits: { kind: 'absolute', target: channel.target, low: channel.low, high: channel.high },
      },
    })),
  };
}

/** How the lines of the simulator's format are to be read. */
function lineOptions({ lineFormat, commands, startsByItself, channels }: RunningInstrument): object {
  const columnOf = (name: string): number => lineFormat.columns.indexOf(name) + 1;
  const unitColumn = columnOf('unit');
  const statusColumn = columnOf('status');
  return {
    // A line feed is the default, and a carriage return before it does no harm.
    ...(/^\r?\n$/.test(lineFormat.delimiter) ? {} : { delimiter: lineFormat.delimiter }),
    ...(lineFormat.columns.length > 1 ? { separator: lineFormat.separator } : {}),
    ...(lineFormat.decimalSign === ',' ? { decimal: 'comma' } : {}),
    channels: channels.map((_, i) => ({
      column: columnOf(`channel-${i + 1}`),
      ...(unitColumn > 0 ? { unitColumn } : {}),
      ...(statusColumn > 0 ? { statusColumn } : {}),
    })),
    status: { overload: [lineFormat.statusWords.overload], good: [lineFormat.statusWords.ok] },
    commands: {
      ...(commands.start !== null && !startsByItself ? { start: commands.start } : {}),
      ...(commands.zero === null ? {} : { zero: commands.zero }),
    },
  };
}
