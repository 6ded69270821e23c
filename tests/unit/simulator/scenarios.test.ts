import { existsSync, readFileSync } from 'node:fs';
import { dirname } from 'node:path';
import { connect } from 'node:net';
import { describe, expect, it } from 'vitest';
import { listScenarios, loadScenario, parseScenario, startScenario } from '../../../simulator/index.ts';
import { ChannelSource } from '../../../simulator/instruments/channel-source.ts';
import { OperatorPlan } from '../../../simulator/instruments/tool-plan.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const sound = `
title: One
instruments:
  - id: one
    title: One
    channels:
      - title: A
        transducer: { serialNumber: X-1, capacityNm: 60 }
        tool: { kind: click-wrench, setNm: 50 }
        suggested: { mode: first-peak, target: 50, low: 48, high: 52 }
`;

describe('scenario files', () => {
  it('come with the four that are promised, all of them sound', () => {
    const names = listScenarios().map((entry) => entry.name);
    expect(names).toEqual(expect.arrayContaining(['bench', 'faulty-line', 'flood', 'single-click-wrench']));
    for (const name of names) expect(loadScenario(name).instruments.length).toBeGreaterThan(0);
  });

  it('read from a file as well', () => {
    expect(loadScenario('simulator/scenarios/bench.yaml')).toEqual(loadScenario('bench'));
  });

  it.each([
    ['an unknown key', sound.replace('capacityNm', 'capacity'), 's.yaml:8:21', /transducer.*capacityNm|capacity/],
    ['a torque that is none', sound.replace('setNm: 50', 'setNm: -5'), 's.yaml:9:44', /instruments\.0\.channels\.0\.tool\.setNm/],
    ['limits upside down', sound.replace('low: 48', 'low: 51'), 's.yaml:10:20', /low ≤ target ≤ high/],
    ['a missing channel', sound.replace('    channels:', '    format: { columns: [channel-2] }\n    channels:'), 's.yaml:6:24', /does not have/],
    ['an unknown tool', sound.replace('click-wrench', 'magic-wand'), 's.yaml:9:23', /tool\.kind/],
    ['lost lines where nothing ends a message', sound.replace('    channels:', '    kind: frames\n    faults: { lines: { lostShare: 0.1 } }\n    channels:'), 's.yaml:7:22', /nothing ends a message of frames/],
    ['merged answers', sound.replace('    channels:', '    kind: scpi\n    faults: { chunks: { mergeShare: 0.1 } }\n    channels:'), 's.yaml:7:37', /nothing is sent that it could be merged with/],
    ['Modbus without registers', sound.replace('    channels:', '    kind: modbus\n    channels:'), 's.yaml:4:5', /modbus: belongs to/],
    ['counts without a bridge', sound.replace('- title: A', "- title: A\n        unit: '{count}'"), 's.yaml:9:21', /needs a bridge/],
    ['no YAML', 'title: [', 's.yaml:1:9', /not YAML/],
    ['nothing', '', 's.yaml', /the file/],
  ])('name the place of %s', (_what, text, where, message) => {
    let thrown: unknown;
    try {
      parseScenario(text, 's.yaml');
    } catch (error) {
      thrown = error;
    }
    expect(thrown).toMatchObject({ code: 'SIM_SCENARIO', where, message: expect.stringMatching(message) as string });
  });

  it('an unknown name is refused with the names that exist', () => {
    expect(() => loadScenario('nothing-here')).toThrow(/bench, binary-frames, bridge-amplifier, device-server, faulty-line, flood, interleaved, modbus, one-converter, polled-lines, pulse-tool, scanners, scpi, single-click-wrench/);
  });

  it('a missing file is named', () => {
    expect(() => loadScenario('./nowhere.yaml')).toThrow(expect.objectContaining({ code: 'SIM_SCENARIO', where: './nowhere.yaml' }) as Error);
  });
});

describe('what a channel of a scenario gives', () => {
  const samples = (seed: number, n = 20_000): number[] => {
    const [instrument] = loadScenario('bench').instruments;
    const [channel] = instrument!.channels;
    const source = new ChannelSource({
      tool: channel!.tool, operator: OperatorPlan.parse({}), pauseS: [1, 2], firstPullS: 0.5, pulls: null,
      sensor: { capacity: 60, bits: 16, noiseSigma: 0.02, offset: 0, driftPerS: 0, bandwidthHz: 1_500 }, clockErrorPpm: 10, jitterS: 1e-6,
    }, 1_000, seed);
    return Array.from({ length: n }, () => source.next());
  };

  it('is the same for the same seed, bit for bit', () => {
    expect(samples(3)).toEqual(samples(3));
    expect(samples(3)).not.toEqual(samples(4));
  });

  it('pulls again and again', () => {
    const torques = samples(3);
    const begun = torques.filter((torque, i) => i > 0 && torques[i - 1]! < 20 && torque >= 20).length;
    expect(begun).toBeGreaterThanOrEqual(4);
    expect(Math.max(...torques)).toBeLessThanOrEqual(60);
  });
});

describe('a running scenario', () => {
  it('streams over its port, can be unplugged and plugged in, and leaves nothing behind', async () => {
    const run = await startScenario(loadScenario('single-click-wrench'), { portPreference: 'tcp' });
    const [wrench] = run.instruments;
    expect(wrench).toMatchObject({
      id: 'wrench', sampleRateHz: 1_000, address: { kind: 'tcp', host: '127.0.0.1' },
      channels: [{ unit: 'N.m', capacity: 60, suggestedMode: 'first-peak', target: 50, low: 48, high: 52 }],
    });
    let lines = 0;
    let bad = 0;
    let isOver = false;
    const listen = () => {
      const { address } = wrench!;
      if (address.kind !== 'tcp') throw new Error('TCP was asked for');
      isOver = false;
      let rest = '';
      return connect(address.port, address.host).on('error', () => {}).on('close', () => { isOver = true; }).on('data', (data) => {
        const parts = (rest + data.toString()).split('\r\n');
        rest = parts.pop()!;
        for (const part of parts) {
          lines++;
          if (!/^-?\d+\.\d{3}$/.test(part)) bad++;
        }
      });
    };
    let socket = listen();
    try {
      await waitUntil(() => lines > 200, 'lines');
      await run.unplug('wrench');
      await waitUntil(() => isOver, 'the end of the connection');
      await run.replug('wrench');
      lines = 0;
      socket = listen();
      await waitUntil(() => lines > 200, 'lines after the replug');
      expect(bad).toBe(0);
      await expect(run.unplug('nobody')).rejects.toMatchObject({ code: 'SIM_SCENARIO', where: 'nobody' });
    } finally {
      socket.destroy();
      await run.stop();
      await run.stop();
    }
  });

  it('puts each pseudo terminal where it says and takes it away again', async () => {
    const notices: string[] = [];
    const run = await startScenario(loadScenario('bench'), { log: (line) => notices.push(line) });
    const paths = run.instruments.flatMap(({ address }) => (address.kind === 'serial' ? [address.path] : []));
    if (paths.length === 0) expect(notices.join()).toMatch(/SIM_NO_PTY/);
    for (const path of paths) expect(existsSync(path)).toBe(true);
    await run.stop();
    for (const path of paths) expect(existsSync(dirname(path))).toBe(false);
  });

  it('says that its people, tools and numbers are invented', () => {
    for (const name of listScenarios().map((entry) => entry.name)) {
      expect(readFileSync(`simulator/scenarios/${name}.yaml`, 'utf8')).toMatch(/invented/);
    }
  });
});
