/**
 * The examples of README.md and config/examples, run: their links lead to simulated devices over TCP that send what the
 * examples say, or another unit. What comes out is compared with the torque that the simulated tool was set to.
 */
import { readdirSync } from 'node:fs';
import { parse, stringify } from 'yaml';
import { describe, expect, it, onTestFinished } from 'vitest';
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { createLog } from '../../daemon/log.ts';
import { gatewayChecks } from '../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../daemon/settings/load-settings.ts';
import { Station } from '../../daemon/station/station.ts';
import { findDriver } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import type { Reading } from '../../shared/reading.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import { parseScenario, startScenario } from '../../simulator/index.ts';
import { HeldStore } from '../helpers/held-store.ts';
import { codeBlocks } from '../helpers/markdown.ts';
import { PROJECT_ROOT, readProjectFile } from '../helpers/project-files.ts';
import { seeded } from '../helpers/seeded.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const FT_LB = '[lbf_av].[ft_i]';
const IN_LB = '[lbf_av].[in_i]';
const FT_LB_NM = 1.3558179483314003;

interface Device {
  /** Of the lines; what the unit is written as stands there. */
  readonly format: object;
  /** What the numbers are in. */
  readonly unit: string;
  readonly rateHz: number;
  /** Torque of the tool of each channel, N.m, and whether it is pulled to the left. */
  readonly pulls: readonly { readonly tool: object; readonly ccw?: boolean }[];
}

interface Run {
  info(): InstrumentInfo;
  readings(channel?: number): readonly Reading[];
  readonly told: readonly string[];
}

type Entry = Record<string, unknown> & { channels: Record<string, unknown>[] };

const click = (setNm: number): { tool: object } => ({ tool: { kind: 'click-wrench', setNm, scatterPercent: 0 } });
/** Held still at the top, so that the highest torque is what the tool was set to. */
const held = (targetNm: number): { tool: object } => ({ tool: { kind: 'dial-wrench', targetNm, scatterPercent: 0, holdS: [2.5, 3], correctionPercent: 0 } });
const lines = (unitText: string | null): object => ({ columns: unitText === null ? ['channel-1'] : ['channel-1', 'unit'], separator: ' ', decimals: 3, ...(unitText === null ? {} : { unitText }) });

/** The instrument of an example, as it stands but for its link, on a device. Checked as a file would be. */
async function run(entry: Entry, device: Device): Promise<Run> {
  const scenario = await startScenario(parseScenario(stringify({
    title: 'Hollin & Fenn, a device of an example (invented)', seed: 11,
    instruments: [{
      id: 'device', title: 'Device', port: 'tcp', sampleRateHz: device.rateHz, format: device.format,
      channels: device.pulls.map(({ tool, ccw }, i) => ({
        title: `Place ${i + 1}`, unit: device.unit, firstPullS: 1, pauseS: [0.8, 1],
        transducer: { serialNumber: `HF-T-${i}`, capacityNm: 400, bits: 24, noisePercent: 0.0005 }, tool, operator: { ccwShare: ccw ? 1 : 0, goesOnShare: 0, easesOffShare: 0, hesitatesShare: 0 },
        suggested: { mode: 'peak', target: 50, low: 48, high: 52 },
      })),
    }],
  }), 'example.yaml'), { portPreference: 'tcp' });
  onTestFinished(() => scenario.stop());
  const { address } = scenario.instruments[0]!;
  if (address.kind !== 'tcp') throw new Error('asked for TCP');
  const text = stringify({ instruments: [{ ...entry, enabled: true, link: { kind: 'tcp', host: address.host, port: address.port } }] });
  const { settings, faults } = parseSettings(text, gatewayChecks);
  expect(faults).toEqual([]);
  const instruments = createInstrumentSet(settings!.instruments, { clock: systemClock, random: seeded(1), openLink: (link) => linkOpener(link), findDriver });
  const station = new Station({
    settings: settings!, instruments, store: new HeldStore(), clock: systemClock, log: createLog({ isTerminal: false, level: 'error', write: () => {} }), version: '0.0.0-test',
  });
  onTestFinished(() => station.stop());
  const readings: Reading[] = [];
  const told: string[] = [];
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') readings.push(event.reading);
    if (event.type === 'cycle.started' || event.type === 'cycle.interrupted') told.push(event.type);
  });
  station.start();
  const { id } = settings!.instruments[0]!;
  return { info: () => station.instruments()[0]!, readings: (channel = 1) => readings.filter((reading) => reading.channel === `${id}/${channel}`), told };
}

const example = (file: string, id?: string): Entry => {
  const { instruments } = parse(file) as { instruments: (Entry & { id: string })[] };
  return instruments.find((instrument) => id === undefined || instrument.id === id)!;
};
const yaml = codeBlocks(readProjectFile('README.md')).filter((block) => block.language === 'yaml').map((block) => block.text);
const readme = example(yaml.find((text) => text.includes('instruments:'))!);
const waysOut = parse(yaml.find((text) => text.includes('deviceUnit: named'))!) as Record<string, unknown>[];
const withChannel = (channel: Record<string, unknown>): Entry => ({ ...readme, channels: [channel] });

async function firstReading(on: Run, channel = 1): Promise<Reading> {
  await waitUntil(() => on.readings(channel).length > 0, `a reading (${JSON.stringify(on.info().fault)})`);
  return on.readings(channel)[0]!;
}

/** Within 1 % of what the tool was set to. */
function expectValue(reading: Reading, value: number, unit: string): void {
  expect(reading.unit).toBe(unit);
  expect(Math.abs(reading.value / value - 1)).toBeLessThan(0.01);
}

describe('the example of README.md', () => {
  it.each([['lines that say Nm', 'Nm'], ['plain numbers', null]])('reads %s in N·m', async (_, unitText) => {
    const reading = await firstReading(await run(readme, { format: lines(unitText), unit: 'N.m', rateHz: 500, pulls: [click(50)] }));
    expectValue(reading, 50, 'N.m');
    expect(reading).toMatchObject({ verdict: 'within', click: true, target: 50 });
    expect(reading.flags).not.toContain('over-capacity');
  });

  it.each([['ft-lb', FT_LB], ['in-lb', IN_LB], ['cNm', 'cN.m']])('refuses a device that says %s at its first line, and nothing of it is judged', async (unitText, unit) => {
    const on = await run(readme, { format: lines(unitText), unit, rateHz: 500, pulls: [click(50)] });
    await waitUntil(() => on.info().state === 'needs-attention', `the refusal (${on.info().state})`);
    expect(on.info().fault).toMatchObject({ code: 'UNIT_REFUSED', message: expect.stringContaining(unit) as string, hint: expect.stringContaining('deviceUnit') as string });
    expect(on.info().fault!.message).toContain('the channel is set to N.m');
    expect([on.readings(), on.told]).toEqual([[], []]);
  });

  it('has three ways out, which are what it says', async () => {
    expect(waysOut).toHaveLength(3);
    const [feet, inches, named] = waysOut.map(withChannel);
    const cases = [
      ['a channel in ft-lb', feet!, 'ft-lb', FT_LB, 50 * FT_LB_NM, 50, FT_LB],
      ['in-lb, named', inches!, 'in-lb', IN_LB, 50, 50, 'N.m'],
      ['in-lb, not named', inches!, null, IN_LB, 50, 50, 'N.m'],
      ['whatever is named: ft-lb', named!, 'ft-lb', FT_LB, 50, 50, 'N.m'],
      ['whatever is named: cN·m', named!, 'cNm', 'cN.m', 50, 50, 'N.m'],
    ] as const;
    await Promise.all(cases.map(async ([what, entry, unitText, unit, setNm, value, readingUnit]) => {
      const reading = await firstReading(await run(entry, { format: lines(unitText), unit, rateHz: 500, pulls: [click(setNm)] }));
      expectValue(reading, value, readingUnit);
      expect(reading, what).toMatchObject({ verdict: 'within', click: true, target: 50 });
      expect(reading.flags, what).not.toContain('over-capacity');
    }));
  });

  it('refuses plain numbers where the unit is to be named, and another unit than deviceUnit says', async () => {
    const [, inches, named] = waysOut.map(withChannel);
    const plain = await run(named!, { format: lines(null), unit: 'N.m', rateHz: 500, pulls: [click(50)] });
    const other = await run(inches!, { format: lines('ft-lb'), unit: FT_LB, rateHz: 500, pulls: [click(50)] });
    for (const on of [plain, other]) {
      await waitUntil(() => on.info().state === 'needs-attention', `the refusal (${on.info().state})`);
      expect(on.info().fault).toMatchObject({ code: 'UNIT_REFUSED' });
      expect(on.readings()).toEqual([]);
    }
  });
});

/** What each instrument of the example files is connected to, and what its tools are set to, in the channel's unit. */
const EXAMPLES: Readonly<Record<string, readonly { readonly id: string; readonly device: Device; readonly values: readonly number[] }[]>> = {
  'one-bench.yaml': [{ id: 'wheel-bench', device: { format: lines('Nm'), unit: 'N.m', rateHz: 1_000, pulls: [click(40)] }, values: [40] }],
  'assembly-line.yaml': [
    {
      id: 'motor-cover', values: [3.2],
      device: { format: { columns: ['channel-1'], decimalSign: ',' }, unit: 'cN.m', rateHz: 5_000, pulls: [{ tool: { kind: 'clutch-driver', shutOffNm: 3.2 / 1.0012, scatterPercent: 0, riseMs: [190, 200] } }] },
    },
    { id: 'crank-station', device: { format: { columns: ['channel-1', 'channel-2'], separator: ',' }, unit: 'N.m', rateHz: 2_000, pulls: [{ ...click(54), ccw: true }, click(54)] }, values: [-54.05, 54] },
    {
      id: 'audit-gauge', values: [60],
      device: { format: lines('Nm'), unit: 'N.m', rateHz: 100, pulls: [held(60 * FT_LB_NM)] },
    },
  ],
  'usb-and-hid.yaml': [
    { id: 'crank-bench', device: { format: lines('Nm'), unit: 'N.m', rateHz: 1_000, pulls: [held(40)] }, values: [40] },
    { id: 'pedal-bench', device: { format: lines('Nm'), unit: 'N.m', rateHz: 200, pulls: [held(35)] }, values: [35] },
  ],
};

describe('config/examples', () => {
  it('are all run', () => {
    expect(Object.keys(EXAMPLES).sort()).toEqual(readdirSync(`${PROJECT_ROOT}/config/examples`).filter((name) => name.endsWith('.yaml')));
    for (const [name, devices] of Object.entries(EXAMPLES)) {
      expect(devices.map(({ id }) => id)).toEqual((parse(readProjectFile(`config/examples/${name}`)) as { instruments: { id: string }[] }).instruments.map(({ id }) => id));
    }
  });

  it.each(Object.entries(EXAMPLES).flatMap(([name, devices]) => devices.map((one) => [name, one.id, one] as const)))('%s, %s: reads what its tools are set to', async (name, id, { device, values }) => {
    const entry = example(readProjectFile(`config/examples/${name}`), id);
    const on = await run(entry, device);
    for (const [i, value] of values.entries()) {
      const reading = await firstReading(on, i + 1);
      const { unit = 'N.m', capture } = entry.channels[i]! as { unit?: string; capture: { mode: string; limits?: object } };
      expectValue(reading, value, unit);
      expect(reading).toMatchObject({ mode: capture.mode, verdict: capture.limits === undefined ? 'none' : 'within' });
      expect(reading.flags.filter((flag) => flag === 'over-capacity' || flag === 'beyond-calibration')).toEqual([]);
    }
  });
});
