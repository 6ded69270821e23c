/** Starts the instruments of a scenario, each on a port of its own, and stops them again. */
import { mkdirSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { systemClock, type Clock } from '../shared/clock.ts';
import { TorsiondError } from '../shared/errors.ts';
import { FaultyPort, type FaultCounters } from './faults/faulty-port.ts';
import { ChannelSource } from './instruments/channel-source.ts';
import { HoldWatch } from './instruments/hold-watch.ts';
import { endOfMessage, imageOf, makeInstrument } from './instruments/make-instrument.ts';
import { VirtualScanner } from './instruments/scanner.ts';
import { shownScale } from './instruments/shown.ts';
import type { InstrumentCounters, TorqueSource, VirtualInstrument } from './instruments/virtual-instrument.ts';
import { openPort } from './ports/open-port.ts';
import type { PortAddress, PortCounters, SimulatedPort } from './ports/port.ts';
import { SeededRandom } from './random.ts';
import type { Scenario, SimulatedChannel, SimulatedInstrument, SimulatedScanner } from './scenarios/schema.ts';

export interface RunningChannel {
  readonly title: string;
  /** What the instrument shows: UCUM code of a torque, mV/V, or {count}. */
  readonly unit: string;
  /** N.m */
  readonly capacity: number;
  readonly transducerSerial: string;
  /** The number that its electronic data sheet bears; null: it has none. */
  readonly sheetSerial: number | null;
  /** Signal of the transducer and scale of the amplifier, where there is a bridge. */
  readonly bridge: SimulatedChannel['transducer']['bridge'] | null;
  readonly suggestedMode: 'track' | 'peak' | 'first-peak' | 'pulse';
  /** N.m */
  readonly target: number;
  readonly low: number;
  readonly high: number;
}

export interface RunningInstrument {
  readonly id: string;
  readonly title: string;
  readonly address: PortAddress;
  readonly baudRate: number;
  readonly sampleRateHz: number;
  readonly channels: readonly RunningChannel[];
  /** What it says and hears, as the scenario describes it. */
  readonly plan: Pick<SimulatedInstrument, 'kind' | 'format' | 'commands' | 'frames' | 'scpi' | 'modbus' | 'selector' | 'startsByItself'>;
  /** Memory image of the first channel's data sheet, or null. */
  readonly dataSheet: Uint8Array | null;
  counters(): { readonly instrument: InstrumentCounters; readonly port: PortCounters; readonly faults: FaultCounters | null };
}

export interface RunningScanner {
  readonly id: string;
  readonly title: string;
  readonly address: PortAddress;
  readonly baudRate: number;
  readonly plan: SimulatedScanner;
  /** Sends a text now, beside those of the plan. @returns whether it is plugged in */
  scan(text: string): boolean;
  counters(): { readonly instrument: InstrumentCounters; readonly port: PortCounters; readonly faults: FaultCounters | null };
}

export interface RunningScenario {
  readonly title: string;
  readonly instruments: readonly RunningInstrument[];
  readonly scanners: readonly RunningScanner[];
  /** An instrument or a scanner. @throws TorsiondError SIM_SCENARIO when none has that id. */
  unplug(id: string): Promise<void>;
  /** It starts anew, as one that had lost its power. */
  replug(id: string): Promise<void>;
  /** Ends every helper process and removes every port. Idempotent. */
  stop(): Promise<void>;
}

export interface StartScenarioOptions {
  /** One line each: notices (no pseudo terminals, a fault that failed), nothing else. */
  readonly log?: (line: string) => void;
  /** Pseudo terminals or TCP, where the scenario says one of the two. */
  readonly portPreference?: 'pty' | 'tcp';
  /** Where the pseudo terminals appear, as `<instrument id>`; made when missing. Left out: a folder that `stop` removes. */
  readonly linkDirectory?: string;
  readonly clock?: Clock;
  /** Torque of another making in place of the tools. */
  readonly torque?: (instrument: string, channel: number) => TorqueSource;
  /** Ports of another making, for example `openUsbPort`; the scenario closes them. Null: as the scenario says. */
  readonly port?: (id: string) => SimulatedPort | null;
}

/** A pull begins above this share of the capacity, for whoever watches it. */
const HELD_SHARE = 0.1;

interface Running<Facts = unknown> {
  readonly port: SimulatedPort;
  readonly instrument: VirtualInstrument;
  readonly facts: Facts;
}

/** @throws TorsiondError of the SIM_ area, or SERVER_ADDRESS; nothing is left running then. */
export async function startScenario(scenario: Scenario, options: StartScenarioOptions = {}): Promise<RunningScenario> {
  const clock = options.clock ?? systemClock;
  const log = options.log ?? (() => {});
  const ownFolder = options.linkDirectory === undefined ? mkdtempSync(join(tmpdir(), 'torsiond-bench-')) : null;
  const folder = options.linkDirectory ?? ownFolder!;
  mkdirSync(folder, { recursive: true });
  const running = new Map<string, Running>();
  let hasTold = false;
  const stop = async (): Promise<void> => {
    const all = [...running.values()];
    running.clear();
    for (const { instrument } of all) instrument.switchOff();
    await Promise.all(all.map(({ port }) => port.close()));
    if (ownFolder !== null) rmSync(ownFolder, { recursive: true, force: true });
  };
  const random = new SeededRandom(scenario.seed);
  const opened = async (plan: Pick<SimulatedInstrument, 'id' | 'port'>): Promise<SimulatedPort> => options.port?.(plan.id) ?? openPort({
    prefer: plan.port === 'pty' || plan.port === 'tcp' ? options.portPreference ?? plan.port : plan.port,
    linkPath: join(folder, plan.id),
    notice: (error) => {
      if (!hasTold) log(error.toLine());
      hasTold = true;
    },
  });
  const instruments: RunningInstrument[] = [];
  const scanners: RunningScanner[] = [];
  /** Torque as it is, or as a pedal watches it. */
  const torque = (id: string, channel: number, plan: SimulatedInstrument, source: TorqueSource): TorqueSource => scenario.scanners.reduce((watched, { id: scanner, whenHeld }) => (
    whenHeld?.channel !== `${id}/${channel + 1}` ? watched : new HoldWatch(watched, {
      thresholdNm: HELD_SHARE * plan.channels[channel]!.transducer.capacityNm, samples: Math.ceil(whenHeld.holdS * plan.sampleRateHz),
      onHeld: () => scanners.find((one) => one.id === scanner)?.scan(whenHeld.text),
    })), source);
  try {
    for (const [i, plan] of scenario.instruments.entries()) {
      const made = switchedOn(plan, await opened(plan), clock, random.fork(i), log, (channel, makeOwn) => torque(plan.id, channel, plan, options.torque?.(plan.id, channel) ?? makeOwn()));
      running.set(plan.id, made);
      instruments.push(made.facts);
    }
    for (const [i, plan] of scenario.scanners.entries()) {
      const made = scannerOn(plan, await opened(plan), clock, random.fork(1_000 + i), log);
      running.set(plan.id, made);
      scanners.push(made.facts);
    }
  } catch (error) {
    await stop();
    throw error;
  }
  const find = (id: string): Running => {
    const found = running.get(id);
    if (found) return found;
    throw new TorsiondError('SIM_SCENARIO', `nothing is called "${id}"; there are ${[...running.keys()].join(', ')}`, {
      where: id, hint: 'Name one of the devices of the running scenario.',
    });
  };
  return {
    title: scenario.title,
    instruments,
    scanners,
    unplug: async (id) => {
      const { port, instrument } = find(id);
      await port.unplug();
      instrument.switchOff();
    },
    replug: async (id) => {
      const { port, instrument } = find(id);
      if (port.isPluggedIn) return;
      await port.replug();
      instrument.switchOn();
    },
    stop,
  };
}

/** The plan's faults around a port; null where it has none. */
function withFaults(
  plan: Pick<SimulatedInstrument, 'id' | 'faults'>, bare: SimulatedPort, clock: Clock, random: SeededRandom, log: (line: string) => void,
  delimiter: string | null, device: () => VirtualInstrument,
): FaultyPort | null {
  return plan.faults === undefined ? null : new FaultyPort(bare, { ...plan.faults, seed: plan.faults.seed ^ random.word() }, clock, {
    delimiter,
    onPluggedIn: () => device().switchOn(),
    onUnplugged: () => device().switchOff(),
    onFault: (error) => log(`${plan.id}: a planned fault failed: ${(error as Error).message}`),
  });
}

function scannerOn(plan: SimulatedScanner, bare: SimulatedPort, clock: Clock, random: SeededRandom, log: (line: string) => void): Running<RunningScanner> {
  const faulty = withFaults(plan, bare, clock, random, log, plan.delimiter, () => scanner);
  const port = faulty ?? bare;
  const scanner: VirtualScanner = new VirtualScanner(plan, { port, clock, random });
  scanner.switchOn();
  return {
    port, instrument: scanner,
    facts: {
      id: plan.id, title: plan.title, address: port.address, baudRate: plan.baudRate, plan,
      scan: (text) => scanner.send(text),
      counters: () => ({ instrument: scanner.counters, port: port.counters, faults: faulty?.faults ?? null }),
    },
  };
}

function switchedOn(
  plan: SimulatedInstrument, bare: SimulatedPort, clock: Clock, random: SeededRandom, log: (line: string) => void,
  torque: (channel: number, makeOwn: () => TorqueSource) => TorqueSource,
): Running<RunningInstrument> {
  const faulty = withFaults(plan, bare, clock, random, log, endOfMessage(plan), () => instrument);
  const port = faulty ?? bare;
  const instrument: VirtualInstrument = makeInstrument(plan, {
    port, clock, rateHz: plan.sampleRateHz * (1 + plan.clockErrorPpm * 1e-6),
    channels: plan.channels.map((channel, i) => ({ source: torque(i, () => sourceOf(channel, plan, random.word())), shown: shownScale(channel) })),
  });
  instrument.switchOn();
  return {
    port, instrument,
    facts: {
      id: plan.id, title: plan.title, address: port.address, baudRate: plan.baudRate, sampleRateHz: plan.sampleRateHz,
      channels: plan.channels.map((channel) => ({
        title: channel.title, unit: channel.unit, capacity: channel.transducer.capacityNm, transducerSerial: channel.transducer.serialNumber, sheetSerial: channel.transducer.dataSheet?.serial ?? null,
        bridge: channel.transducer.bridge ?? null,
        suggestedMode: channel.suggested.mode, target: channel.suggested.target, low: channel.suggested.low, high: channel.suggested.high,
      })),
      plan, dataSheet: imageOf(plan),
      counters: () => ({ instrument: instrument.counters, port: port.counters, faults: faulty?.faults ?? null }),
    },
  };
}

function sourceOf(channel: SimulatedChannel, plan: SimulatedInstrument, seed: number): ChannelSource {
  const { transducer } = channel;
  const percent = transducer.capacityNm / 100;
  return new ChannelSource({
    tool: channel.tool, operator: channel.operator, pauseS: channel.pauseS, firstPullS: channel.firstPullS, pulls: channel.pulls,
    sensor: {
      capacity: transducer.capacityNm, bits: transducer.bits, noiseSigma: transducer.noisePercent * percent, offset: transducer.offsetPercent * percent,
      driftPerS: (transducer.driftPercentPerHour * percent) / 3_600, bandwidthHz: transducer.bandwidthHz ?? Infinity,
    },
    // The same error as in the instrument's pace: torque is a matter of true time, whatever the quartz says.
    clockErrorPpm: plan.clockErrorPpm, jitterS: transducer.jitterUs * 1e-6,
  }, plan.sampleRateHz, seed);
}
