/** `torsiond probe` against every device of the simulator: what it proposes must be what the simulator's own settings say. */
import { describe, expect, it, onTestFinished } from 'vitest';
import { scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import { gatewayChecks } from '../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../daemon/settings/load-settings.ts';
import { loadScenario, parseScenario, startScenario, type RunningScenario, type Scenario } from '../../simulator/index.ts';
import { systemClock } from '../../shared/clock.ts';
import type { PortAddress } from '../../simulator/ports/port.ts';
import { filledIn } from '../helpers/fill-in.ts';
import { inProcess } from '../helpers/run-torsiond.ts';

interface Probed {
  readonly exitCode: number | null;
  readonly verdict: string;
  readonly baudRateCanBeTold: boolean;
  readonly doubts: readonly string[];
  readonly units: readonly { readonly unit: number }[];
  readonly settings?: { readonly instruments?: readonly Entry[]; readonly scanners?: readonly Entry[] };
}
interface Entry {
  readonly link: Readonly<Record<string, unknown>>;
  readonly driver: { readonly id: string; readonly options: Readonly<Record<string, unknown>> };
  readonly identity?: object;
  readonly channels: readonly { readonly unit: string; readonly deviceUnit?: string; readonly sampleRateHz?: number }[];
}

function argument(address: PortAddress): string {
  switch (address.kind) {
    case 'serial': return address.path;
    case 'tcp': return `tcp://${address.host}:${address.port}`;
    case 'rfc2217': return `rfc2217://${address.host}:${address.port}`;
    default: throw new Error('not a port that is probed');
  }
}

/** Probes, and checks what holds of every proposal: the gateway's own check takes the settings once they are filled in. */
async function probed({ address, baudRate }: { readonly address: PortAddress; readonly baudRate: number | null }, ...more: string[]): Promise<Probed> {
  const args = ['probe', argument(address), '--seconds', '0.7', ...(address.kind === 'rfc2217' ? ['--baud', String(baudRate)] : []), ...more];
  const { exitCode, stdout } = await inProcess(...args, '--json');
  const answer = JSON.parse(stdout) as Omit<Probed, 'exitCode'>;
  if (answer.settings) expect(parseSettings(JSON.stringify(filledIn(answer.settings)), gatewayChecks).faults).toEqual([]);
  // A pseudo terminal has no rate, so that none may be claimed there.
  expect(answer.baudRateCanBeTold).toBe(address.kind !== 'serial');
  if (address.kind === 'serial') expect(answer.settings?.instruments?.[0]?.link['baudRate']).toBeUndefined();
  return { exitCode, ...answer };
}

async function running(scenario: Scenario): Promise<RunningScenario> {
  const run = await startScenario(scenario);
  onTestFinished(() => run.stop());
  return run;
}

const wanted = (run: RunningScenario): readonly Entry[] => scenarioSettingsInput(run).instruments as Entry[];
/** What of the options of `ascii-lines` decides how a line is read. */
const reading = ({ driver: { options } }: Entry): object => ({
  delimiter: options['delimiter'], separator: options['separator'], decimal: options['decimal'], channels: options['channels'] ?? [{ column: 1 }],
});

/** Those of LINES that send numbers alone. */
const UNNAMED = ['plain', 'comma', 'returns'];
const LINES = `
title: Five formats (invented)
instruments:
${[
  ['plain', '{ columns: [channel-1] }'],
  ['words', "{ columns: [channel-1, unit, status], separator: ' ', unitText: Nm }"],
  ['comma', "{ columns: [counter, channel-1, channel-2, status], separator: ';', decimalSign: ',', sign: always }"],
  ['tabs', '{ columns: [channel-1, channel-2, unit], separator: "\\t", unitText: lbf-ft, delimiter: "\\n" }'],
  ['returns', '{ columns: [millis, channel-1], separator: ",", delimiter: "\\r" }'],
].map(([id, format]) => `  - id: ${id}
    title: Meter (invented)
    sampleRateHz: 200
    format: ${format}
    channels:
${[1, 2].slice(0, format!.includes('channel-2') ? 2 : 1).map((n) => `      - title: Place ${n}
        unit: ${format!.includes('lbf') ? '"[lbf_av].[ft_i]"' : 'N.m'}
        transducer: { serialNumber: HF-000${n} (invented), capacityNm: 60, bits: 16, noisePercent: 0.3 }
        tool: { kind: dial-wrench, targetNm: 40 }
        firstPullS: 0
        suggested: { mode: peak, target: 40, low: 38, high: 42 }`).join('\n')}`).join('\n')}`;

describe('torsiond probe', () => {
  it('proposes the right settings for five formats of lines', async () => {
    const run = await running(parseScenario(LINES, 'lines.yaml'));
    await Promise.all(run.instruments.map(async (instrument, i) => {
      const { exitCode, verdict, settings } = await probed(instrument);
      expect([exitCode, verdict], instrument.id).toEqual([0, 'lines']);
      const proposal = settings!.instruments![0]!;
      const right = wanted(run)[i]!;
      expect(reading(proposal), instrument.id).toEqual(reading(right));
      // Plain numbers do not say their unit, and no other unit is made up for them.
      const isNamed = !UNNAMED.includes(instrument.id);
      expect(proposal.channels.map((channel) => channel.unit), instrument.id).toEqual(right.channels.map(({ unit, deviceUnit = unit }) => (
        isNamed ? deviceUnit : expect.stringMatching(/^<fill in the unit of the values/) as string)));
    }));
  });

  it('proposes the right settings for the lines of every scenario that streams them', async () => {
    await Promise.all(['bench', 'faulty-line', 'single-click-wrench', 'scanners', 'flood'].map(async (name) => {
      const run = await running(loadScenario(name));
      await Promise.all(run.instruments.map(async (instrument, i) => {
        const { verdict, settings } = await probed(instrument);
        expect(verdict, instrument.id).toBe('lines');
        expect(reading(settings!.instruments![0]!), instrument.id).toEqual(reading(wanted(run)[i]!));
      }));
    }));
  });

  it('proposes the right layout for the frames of every scenario that sends them', async () => {
    await Promise.all(['binary-frames', 'interleaved', 'device-server', 'bridge-amplifier'].map(async (name) => {
      const run = await running(loadScenario(name));
      await Promise.all(run.instruments.map(async (instrument, i) => {
        if (instrument.plan.kind !== 'frames') return;
        const { verdict, settings } = await probed(instrument);
        expect(verdict, instrument.id).toBe('frames');
        const { driver: { id, options }, channels } = settings!.instruments![0]!;
        const { driver: right, channels: rightChannels } = wanted(run)[i]!;
        expect(id, instrument.id).toBe('framed-binary');
        expect(channels).toHaveLength(rightChannels.length);
        if (right.id === 'raw-counts') {
          // Counts are frames of whole numbers to whoever only hears them.
          expect(options, instrument.id).toMatchObject({ framing: { kind: 'sync', bytes: right.options['sync'] }, byteOrder: right.options['byteOrder'], channels: [{ type: 'i24' }], checksum: { name: right.options['checksum'] } });
          return;
        }
        const places = (all: unknown): unknown => (all as { at: number; type: string }[]).map(({ at, type }) => ({ at, type }));
        expect(places(options['channels']), instrument.id).toEqual(places(right.options['channels']));
        for (const part of ['framing', 'byteOrder', 'counter', 'frameChannel', 'checksum']) expect(options[part], `${instrument.id} ${part}`).toEqual(right.options[part]);
      }));
    }));
  });

  it('tells lines of mV/V from torque by a doubt, since nothing in them says what they are', async () => {
    const run = await running(loadScenario('bridge-amplifier'));
    const { verdict, doubts } = await probed(run.instruments[1]!);
    expect(verdict).toBe('lines');
    expect(doubts.join()).toMatch(/do not name the unit.*mV\/V/);
  });

  it('proposes scpi, with the identity, and with as many values as come when it may ask for them', async () => {
    const run = await running(loadScenario('scpi'));
    const shy = await probed(run.instruments[0]!);
    expect(shy).toMatchObject({ exitCode: 0, verdict: 'scpi' });
    expect(shy.settings!.instruments![0]).toMatchObject({ driver: { id: 'scpi' }, identity: { maker: 'Hollin & Fenn', model: 'HF two-channel indicator', serialNumber: 'HF-0401' } });
    expect(shy.doubts.join()).toContain('was not asked');
    const full = (await probed(run.instruments[0]!, '--ask-with', 'READ?')).settings!.instruments![0]!;
    expect(full.driver.options['queries']).toEqual(wanted(run)[0]!.driver.options['queries']);
    expect(full.channels).toHaveLength(2);
  });

  it('proposes Modbus with the units that answer, on a bus and over a network, and says that the registers are for the manual', async () => {
    const run = await running(loadScenario('modbus'));
    const [bus, network] = await Promise.all(run.instruments.map((instrument) => probed(instrument)));
    expect(bus).toMatchObject({ exitCode: 0, verdict: 'modbus', settings: { instruments: [{ driver: { id: 'modbus-rtu' } }] } });
    expect(bus!.units.map((one) => one.unit)).toEqual([1, 7]);
    expect(network).toMatchObject({ exitCode: 0, verdict: 'modbus', settings: { instruments: [{ driver: { id: 'modbus-tcp' }, link: { kind: 'tcp' } }] } });
    expect(network!.units.map((one) => one.unit)).toEqual([1]);
    expect(bus!.doubts.join()).toContain('only the manual says');
  });

  it('proposes polling for a meter that is asked: by a question mark without being told, by READ when it is told', async () => {
    const scenario = loadScenario('polled-lines');
    const [meter] = scenario.instruments;
    const mark = { ...scenario, instruments: [{ ...meter!, commands: { ...meter!.commands, read: '?' } }] };
    const [named, marked] = await Promise.all([running(scenario), running(mark)]);
    const silent = await probed(named.instruments[0]!);
    expect(silent).toMatchObject({ exitCode: 69, verdict: 'silence' });
    for (const [run, more, request] of [[named, ['--ask-with', 'READ'], 'READ'], [marked, [], '?']] as const) {
      const { verdict, settings } = await probed(run.instruments[0]!, ...more);
      const { driver, channels } = settings!.instruments![0]!;
      expect([verdict, driver.id]).toEqual(['lines', 'ascii-lines']);
      expect(driver.options['poll']).toMatchObject({ request });
      // One column whose number has its unit behind it, or two with a blank between: the driver reads either.
      expect(driver.options['channels'] ?? [{ column: 1 }]).toMatchObject([{ column: 1 }]);
      expect(driver.options['poll']).toHaveProperty('rateHz');
      expect(channels.map((channel) => channel.unit)).toEqual(['N.m']);
    }
  });

  it('proposes a scanner for codes that come while it listens, the less sure the fewer they are', async () => {
    const quiet = { ...loadScenario('scanners'), scanners: loadScenario('scanners').scanners.map((scanner) => ({ ...scanner, codes: [] })) };
    const run = await running(quiet);
    const [gun, pedal] = run.scanners;
    const codes = ['HF-W-0031', 'HF-JOB-7', 'HF-W-0032', '4006381333931'];
    let scanned = 0;
    let cancel = (): void => {};
    // At a person's pace: what comes all at once is no scanner.
    const scan = (): void => {
      gun!.scan(codes[scanned++ % codes.length]!);
      if (scanned === 2) pedal!.scan('PEDAL');
      cancel = systemClock.after(300, scan);
    };
    cancel = systemClock.after(300, scan);
    onTestFinished(() => cancel());
    const [many, one] = await Promise.all([probed(gun!, '--seconds', '2'), probed(pedal!, '--seconds', '2')]);
    expect(many).toMatchObject({ exitCode: 0, verdict: 'codes', sureness: 0.75, settings: { scanners: [{ enabled: false, link: { kind: 'serial' } }] } });
    expect(one).toMatchObject({ exitCode: 0, verdict: 'codes', sureness: 0.5, example: 'PEDAL' });
    expect(one.doubts.join()).toContain('so few texts tell little');
  });
});
