/**
 * The simulated instruments of the matrix of drivers and links, and the links in it. A link is a row of `MATRIX_LINKS`:
 * which instruments it suits, and how they are started on it.
 */
import { onTestFinished } from 'vitest';
import { scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import { systemClock } from '../../shared/clock.ts';
import { parseScenario, startScenario, type RunningScenario, type Scenario, type TorqueSource } from '../../simulator/index.ts';
import { makeInstrument } from '../../simulator/instruments/make-instrument.ts';
import { shownScale } from '../../simulator/instruments/shown.ts';
import { FAULT_PORTS, type FaultPort } from './fault-ports.ts';

export interface MatrixInstrument {
  readonly name: string;
  /** Its driver. */
  readonly driver: string;
  /** In the words of a scenario file. */
  readonly format: string;
  /** What each channel shows. */
  readonly units: readonly string[];
  /** One step of its values, N.m. */
  readonly step: number;
  /** Speaks a protocol of networks: not on serial lines. */
  readonly isForNetworks?: boolean;
}

export const MATRIX_RATE_HZ = 500;

const INSTRUMENTS: readonly MatrixInstrument[] = [
  { name: 'lines', driver: 'ascii-lines', format: 'format: { decimals: 4 }', units: ['N.m'], step: 1e-4 },
  { name: 'lines-two', driver: 'ascii-lines', format: "format: { columns: [channel-1, channel-2, status], decimals: 3, decimalSign: ',' }", units: ['N.m', 'cN.m'], step: 1e-3 },
  { name: 'lines-asked', driver: 'ascii-lines', format: 'startsByItself: false, commands: { read: READ }, format: { decimals: 3 }', units: ['N.m'], step: 1e-3 },
  { name: 'lines-mvv', driver: 'ascii-lines', format: 'format: { decimals: 6 }', units: ['mV/V'], step: 3e-5 },
  { name: 'sync', driver: 'framed-binary', format: 'kind: frames, frames: { type: i24, scale: 0.0001 }', units: ['N.m'], step: 1e-4 },
  { name: 'cobs-eight', driver: 'framed-binary', format: 'kind: frames, frames: { framing: cobs, type: f32, byteOrder: big, counter: u16, status: true, checksum: CRC-32/ISO-HDLC }', units: new Array<string>(8).fill('N.m'), step: 4e-6 },
  { name: 'slip-turns', driver: 'framed-binary', format: 'kind: frames, frames: { framing: slip, channels: interleaved, type: i32, scale: 0.00001 }', units: ['N.m', '[lbf_av].[ft_i]'], step: 2e-5 },
  { name: 'counts', driver: 'raw-counts', format: 'kind: frames, frames: { type: i24, scale: 1, byteOrder: big, checksum: CRC-16/XMODEM }', units: ['{count}', '{count}'], step: 2e-5 },
  { name: 'scpi', driver: 'scpi', format: 'kind: scpi', units: ['N.m', 'N.m'], step: 1e-6 },
  { name: 'rtu', driver: 'modbus-rtu', format: 'kind: modbus, modbus: { registers: [{ unit: 1, address: 4, order: CDAB }, { unit: 7, kind: input, address: 0, type: i32, order: DCBA, scale: 0.001 }] }', units: ['N.m', 'N.m'], step: 1e-3 },
  { name: 'mbap', driver: 'modbus-tcp', format: 'kind: modbus, modbus: { transport: tcp, registers: [{ address: 9, type: i16, order: BADC, scale: 0.01 }] }', units: ['N.m'], step: 1e-2, isForNetworks: true },
];

interface InstrumentInput {
  readonly id: string;
  readonly link: object;
  readonly driver: { readonly id: string; readonly options: { readonly poll?: object } };
  readonly channels: readonly object[];
}

/** How often those are asked that must be: an answer may then be late by nearly 0.2 s before a sample is lost. */
const ASKED_HZ = 10;

/** As `torsiond simulate --settings` writes them, but for the rate of asking. */
function inputsOf(run: RunningScenario): readonly InstrumentInput[] {
  return (scenarioSettingsInput(run).instruments as InstrumentInput[]).map((input) => {
    const { poll } = input.driver.options;
    if (poll === undefined) return input;
    return {
      ...input, driver: { ...input.driver, options: { ...input.driver.options, poll: { ...poll, rateHz: ASKED_HZ } } },
      channels: input.channels.map((channel) => ({ ...channel, sampleRateHz: ASKED_HZ })),
    };
  });
}

export interface MatrixBench {
  /** Instruments as in a settings file, ids as the names above. */
  readonly inputs: readonly InstrumentInput[];
  /** The link of an instrument; null: the one that its settings describe. */
  open(id: string): OpenLink | null;
}

export interface MatrixLink {
  readonly name: string;
  suits(instrument: MatrixInstrument): boolean;
  /** Ends what it starts when the test is finished. @param torque a new source for each channel */
  start(instruments: readonly MatrixInstrument[], torque: () => TorqueSource): Promise<MatrixBench>;
}

const onSerialLines = (instrument: MatrixInstrument): boolean => !instrument.isForNetworks;

export const MATRIX_LINKS: readonly MatrixLink[] = [
  { name: 'pty', suits: onSerialLines, start: (instruments, torque) => startOn('pty', instruments, torque) },
  { name: 'tcp', suits: () => true, start: (instruments, torque) => startOn('tcp', instruments, torque) },
  { name: 'rfc2217', suits: onSerialLines, start: (instruments, torque) => startOn('rfc2217', instruments, torque) },
  // These ports exist in the process that made them, so the settings cannot name them.
  ...FAULT_PORTS.filter((row) => ['usb', 'hid', 'browser', 'browser-usb', 'memory'].includes(row.name)).map((row): MatrixLink => ({
    name: row.name, suits: row.name === 'memory' ? () => true : onSerialLines, start: (instruments, torque) => startOnOwn(row, instruments, torque),
  })),
];

/** The instruments of the matrix that a link suits. */
export function instrumentsOn(link: MatrixLink): readonly MatrixInstrument[] {
  return INSTRUMENTS.filter((instrument) => link.suits(instrument));
}

/** A scenario with them, each on a port of that kind. */
export function matrixScenario(port: string, instruments: readonly MatrixInstrument[]): Scenario {
  const channel = (unit: string): string => `{ title: A, unit: '${unit}', transducer: { serialNumber: HF-T60-0001, capacityNm: 60, bridge: { sensitivity: 2.0013, zeroBalance: 0.0125 } }, tool: { kind: none }, suggested: { mode: peak, target: 40, low: 1, high: 50 } }`;
  return parseScenario(`title: The same torque (invented)\ninstruments:\n${instruments.map(({ name, format, units }) =>
    `  - { id: ${name}, title: ${name}, port: ${port}, sampleRateHz: ${MATRIX_RATE_HZ}, ${format}, channels: [${units.map(channel).join(', ')}] }\n`).join('')}`, 'matrix.yaml');
}

async function startOn(port: string, instruments: readonly MatrixInstrument[], torque: () => TorqueSource): Promise<MatrixBench> {
  const run = await startScenario(matrixScenario(port, instruments), { torque });
  onTestFinished(() => run.stop());
  return { inputs: inputsOf(run), open: () => null };
}

async function startOnOwn(row: FaultPort, instruments: readonly MatrixInstrument[], torque: () => TorqueSource): Promise<MatrixBench> {
  const scenario = matrixScenario('tcp', instruments);
  // Only for the settings that belong to the instruments.
  const run = await startScenario(scenario, { torque });
  const inputs = inputsOf(run);
  await run.stop();
  const opens = new Map<string, OpenLink>();
  for (const plan of scenario.instruments) {
    const { port, open } = await row.make();
    opens.set(plan.id, open);
    const instrument = makeInstrument(plan, {
      port, clock: systemClock, rateHz: plan.sampleRateHz, channels: plan.channels.map((channel) => ({ source: torque(), shown: shownScale(channel) })),
    });
    instrument.switchOn();
    onTestFinished(async () => {
      instrument.switchOff();
      await port.close();
    });
  }
  return { inputs, open: (id) => opens.get(id)! };
}
