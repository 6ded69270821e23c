/** Gateway settings that fit a running scenario of the simulator. */
import type { PortAddress, RunningChannel, RunningInstrument, RunningScanner, RunningScenario } from '../../simulator/index.ts';
import { Settings } from '../settings/schema.ts';
import { asksForSheet, driverInput, pollRateHz } from './scenario-driver.ts';

/** As a person would write them into a settings file; every instrument is marked as simulated. */
export function scenarioSettingsInput(scenario: RunningScenario): { station: string; instruments: object[]; scanners?: object[] } {
  const { title, instruments, scanners } = scenario;
  return { station: title, instruments: instruments.map(instrumentInput), ...(scanners.length === 0 ? {} : { scanners: scanners.map(scannerInput) }) };
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
    link: linkInput(address, instrument.baudRate),
    driver: driverInput(instrument),
    channels: instrument.channels.map((channel, i) => channelInput(channel, pollRateHz(instrument) ?? instrument.sampleRateHz, i === 0 && asksForSheet(instrument))),
  };
}

function scannerInput({ id, title, address, baudRate, plan: { delimiter, prefix, suffix, switches } }: RunningScanner): object {
  return {
    id, title,
    link: linkInput(address, baudRate),
    ...(delimiter === '\r' ? {} : { delimiter }),
    ...(prefix === '' ? {} : { prefix }),
    ...(suffix === '' ? {} : { suffix }),
    ...(switches.length === 0 ? {} : { switches }),
  };
}

function linkInput(address: PortAddress, baudRate: number): object {
  switch (address.kind) {
    case 'serial': return { kind: 'serial', path: address.path, baudRate };
    case 'tcp': return { kind: 'tcp', host: address.host, port: address.port };
    case 'rfc2217': return { kind: 'rfc2217', host: address.host, port: address.port, baudRate };
    case 'web-serial': return { kind: 'browser', baudRate };
    case 'usb':
    case 'hid': {
      const { kind, vendorId, productId, serialNumber, place } = address;
      // The reports are those that `openHidPort` makes unless it is told otherwise.
      const layout = { offset: 1, lengthByte: 0 };
      return { kind, vendorId, productId, ...(serialNumber === null ? { place } : { serialNumber }), ...(kind === 'usb' ? {} : { payload: layout, output: layout }) };
    }
  }
}

/** @param namesItself its transducer, by the data sheet that the instrument hands out */
function channelInput(channel: RunningChannel, sampleRateHz: number, namesItself: boolean): object {
  const { bridge } = channel;
  const isSignal = channel.unit === 'mV/V' || channel.unit === '{count}';
  const { capacity, target, low, high } = channel;
  return {
    title: channel.title,
    // As everything in a scenario; what the instrument shows is converted.
    unit: 'N.m',
    ...(isSignal || channel.unit === 'N.m' ? {} : { deviceUnit: channel.unit }),
    ...(isSignal ? { signal: channel.unit === 'mV/V' ? { kind: 'mV/V' } : { kind: 'counts', ...bridge!.amplifier } } : {}),
    sampleRateHz,
    transducer: namesItself ? { teds: { from: 'device' }, serialNumber: String(channel.sheetSerial), capacity } : {
      serialNumber: channel.transducerSerial,
      capacity,
      ...(isSignal ? { bridge: { ratedTorque: capacity, sensitivity: bridge!.sensitivity, zeroBalance: bridge!.zeroBalance } } : {}),
    },
    capture: {
      mode: channel.suggestedMode,
      limits: { kind: 'absolute', target, low, high },
    },
  };
}
