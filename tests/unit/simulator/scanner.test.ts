import { describe, expect, it } from 'vitest';
import { scenarioSettingsInput } from '../../../daemon/commands/scenario-settings.ts';
import { Settings } from '../../../daemon/settings/schema.ts';
import { loadScenario, parseScenario, startScenario } from '../../../simulator/index.ts';
import { HoldWatch } from '../../../simulator/instruments/hold-watch.ts';
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

describe('a pedal that is pressed while the torque is held', () => {
  const presses = (torque: readonly number[]): number[] => {
    let at = 0;
    const found: number[] = [];
    const watch = new HoldWatch({ next: () => torque[at]!, isSaturated: false, zero: () => {} }, { thresholdNm: 5, samples: 10, onHeld: () => found.push(at) });
    for (; at < torque.length; at++) expect(watch.next()).toBe(torque[at]);
    return found;
  };
  const rest = new Array<number>(20).fill(0);
  const rise = Array.from({ length: 20 }, (_, i) => 2 * i);
  const hold = Array.from({ length: 30 }, (_, i) => 40 + 0.3 * Math.sin(i));

  it('is pressed once in each pull, in either direction, and changes nothing of the torque', () => {
    const pull = [...rest, ...rise, ...hold, ...rest];
    expect(presses(pull)).toEqual([50]);
    expect(presses([...pull, ...pull.map((torque) => -torque)])).toHaveLength(2);
  });

  it('is not pressed while the torque moves, or rests', () => {
    expect(presses([...rest, ...rest, ...rise, ...rise.toReversed(), ...rest])).toEqual([]);
    expect(presses(new Array<number>(200).fill(3))).toEqual([]);
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
    ['a pedal that watches a channel that is not there', '  - { id: gun, title: Gun, whenHeld: { channel: one/9, text: P } }', /scanners\.0\.whenHeld\.channel: there is no such channel/],
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
