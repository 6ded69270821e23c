import { describe, expect, it } from 'vitest';
import { scenarioSettingsInput } from '../../../daemon/commands/scenario-settings.ts';
import { Settings } from '../../../daemon/settings/schema.ts';
import { loadScenario, parseScenario, startScenario } from '../../../simulator/index.ts';
import { VirtualScanner } from '../../../simulator/instruments/scanner.ts';
import { SeededRandom } from '../../../simulator/random.ts';
import { SimulatedScanner } from '../../../simulator/scenarios/schema.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { MemoryPort } from './memory-port.ts';

function scanner(plan: object): { clock: ManualClock; port: MemoryPort; device: VirtualScanner } {
  const clock = new ManualClock();
  const port = new MemoryPort();
  return { clock, port, device: new VirtualScanner(SimulatedScanner.parse({ id: 'gun', title: 'Gun', ...plan }), { port, clock, random: new SeededRandom(3) }) };
}

describe('a virtual scanner', () => {
  it('sends its codes one after the other, as often as it is told', () => {
    const { clock, port, device } = scanner({ codes: ['HF-1', 'HF-2'], firstS: 1, pauseS: [2, 2], rounds: 2, prefix: '>', suffix: '<' });
    device.switchOn();
    clock.advance(999);
    expect(port.text).toBe('');
    for (let s = 0; s < 30; s++) clock.advance(1_000);
    expect(port.text).toBe('>HF-1<\r>HF-2<\r>HF-1<\r>HF-2<\r');
    expect(device.counters.messages).toBe(4);
  });

  it('pauses as long as its plan allows, and the same for the same seed', () => {
    const times = (): number[] => {
      const { clock, port, device } = scanner({ codes: ['HF-1'], firstS: 1, pauseS: [2, 5] });
      device.switchOn();
      const found: number[] = [];
      for (let ms = 0; ms < 60_000; ms += 10) {
        clock.advance(10);
        if (port.writes.length > found.length) found.push(ms);
      }
      return found;
    };
    const pauses = times().slice(1).map((at, i) => at - times()[i]!);
    expect(pauses.length).toBeGreaterThan(10);
    for (const pause of pauses) expect(pause >= 1_980 && pause <= 5_020, `${pause} ms`).toBe(true);
    expect(times()).toEqual(times());
  });

  it('sends at the times of a plan, what it is told from code, and nothing while it is off', () => {
    const { clock, port, device } = scanner({ plan: [{ atS: 3, text: 'PEDAL' }, { atS: 1, text: 'HF-1' }], delimiter: '\r\n' });
    expect(device.send('HF-0')).toBe(false);
    device.switchOn();
    clock.advance(1_000);
    expect(device.send('HF-9')).toBe(true);
    clock.advance(1_000);
    expect(port.text).toBe('HF-1\r\nHF-9\r\n');
    device.switchOff();
    clock.advance(10_000);
    expect(port.text).toBe('HF-1\r\nHF-9\r\n');
    device.switchOn();
    clock.advance(3_000);
    expect(port.text).toBe('HF-1\r\nHF-9\r\nHF-1\r\nPEDAL\r\n');
  });
});

describe('scanners of a scenario', () => {
  it('become the section of the settings that reads them', async () => {
    const run = await startScenario(loadScenario('scanners'), { portPreference: 'tcp' });
    try {
      const settings = Settings.parse(scenarioSettingsInput(run));
      expect(settings.scanners).toMatchObject([
        { id: 'gun-a', title: 'Hand scanner', link: { kind: 'tcp' }, delimiter: '\r', switches: [] },
        { id: 'pedal-a', link: { kind: 'tcp' }, switches: [{ text: 'PEDAL', command: 'latch', channel: 'bench-a/1' }] },
      ]);
      expect(run.scanners.map(({ id, address }) => [id, address.kind])).toEqual([['gun-a', 'tcp'], ['pedal-a', 'tcp']]);
      await run.unplug('gun-a');
      expect(run.scanners[0]!.scan('HF-1')).toBe(false);
      await run.replug('gun-a');
      expect(run.scanners[0]!.scan('HF-1')).toBe(true);
    } finally {
      await run.stop();
    }
  });

  it.each([
    ['an id that an instrument has', '  - { id: one, title: Gun }', /scanners\.0\.id: another device/],
    ['a switch for a channel that is not there', '  - { id: gun, title: Gun, switches: [{ text: P, command: latch, channel: one/2 }] }', /scanners\.0\.switches\.0\.channel: there is no such channel; there are one\/1/],
  ])('are refused with %s', (_, entry, message) => {
    const text = `
title: One
instruments:
  - id: one
    title: One
    channels:
      - title: A
        transducer: { serialNumber: X-1, capacityNm: 60 }
        tool: { kind: none }
        suggested: { mode: peak, target: 50, low: 48, high: 52 }
scanners:
${entry}`;
    expect(() => parseScenario(text, 's.yaml')).toThrow(message);
  });
});
