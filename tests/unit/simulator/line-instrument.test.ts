import { describe, expect, it } from 'vitest';
import { ChannelSource } from '../../../simulator/instruments/channel-source.ts';
import { LineFormat, lineWriter } from '../../../simulator/instruments/line-format.ts';
import { LineInstrument, type LineInstrumentOptions } from '../../../simulator/instruments/line-instrument.ts';
import { OperatorPlan, ToolPlan } from '../../../simulator/instruments/tool-plan.ts';
import { SHOWN_UNITS, unitsPerNewtonMetre } from '../../../simulator/instruments/units.ts';
import { TORQUE_UNITS } from '../../../shared/units.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { MemoryPort } from './memory-port.ts';

const format = (changes: object = {}): LineFormat => LineFormat.parse(changes);
const facts = { isOverloaded: false, counter: 7, millis: 12.4 };

describe('lines of a virtual instrument', () => {
  it.each([
    [{}, [12.3456], '12.346\r\n'],
    [{ decimals: 0 }, [-12.6], '-13\r\n'],
    [{ decimalSign: ',', sign: 'always' }, [1.5], '+1,500\r\n'],
    [{ decimals: 2 }, [-0.001], '0.00\r\n'],
    [{ width: 9, decimals: 2, prefix: 'T ' }, [-1.5], 'T     -1.50\r\n'],
    [{ columns: ['counter', 'channel-2', 'channel-1', 'unit', 'status', 'millis'], separator: ',', decimals: 1, delimiter: '\n' }, [1, 2], '7,2.0,1.0,Nm,OK,12\n'],
  ])('%j writes %j as %j', (changes, values, line) => {
    expect(lineWriter(format(changes))(Float64Array.from(values), facts)).toBe(line);
  });

  it('says overload by its word', () => {
    const write = lineWriter(format({ columns: ['channel-1', 'status'], statusWords: { overload: 'E1' } }));
    expect(write(Float64Array.of(60), { ...facts, isOverloaded: true })).toBe('60.000;E1\r\n');
  });

  it('knows every unit of the gateway, by factors of its own that agree to a few parts in 1e16', () => {
    expect([...SHOWN_UNITS].sort()).toEqual(TORQUE_UNITS.map((unit) => unit.ucum).sort());
    for (const unit of TORQUE_UNITS) expect(unitsPerNewtonMetre(unit.ucum) * unit.newtonMetres).toBeCloseTo(1, 14);
  });
});

function instrument(changes: Partial<LineInstrumentOptions> = {}, offset = 0) {
  const port = new MemoryPort();
  const clock = new ManualClock();
  const source = new ChannelSource({
    tool: ToolPlan.parse({ kind: 'click-wrench', setNm: 50 }), operator: OperatorPlan.parse({}), pauseS: [1, 2], firstPullS: 0.5, pulls: null,
    sensor: { capacity: 60, bits: 16, noiseSigma: 0, offset, driftPerS: 0, bandwidthHz: Infinity }, clockErrorPpm: 0, jitterS: 0,
  }, 1_000, 1);
  const made = new LineInstrument({
    port, clock, channels: [{ source, shown: { factor: 1, offset: 0 } }], format: format(), rateHz: 1_000, pace: 'clock', startsByItself: true,
    commands: { start: 'GO', stop: 'REST', zero: 'TARE', identify: 'WHO', read: null, dataSheet: null, acknowledge: 'OK', unknown: '?', identity: 'HF;meter' },
    ...changes,
  });
  return { port, clock, made, lines: () => port.text.split('\r\n').slice(0, -1) };
}

describe('a virtual instrument', () => {
  it('streams at its declared rate in chunks', () => {
    const { port, clock, made, lines } = instrument();
    made.switchOn();
    clock.advance(10_000);
    expect(Math.abs(lines().length - 10_000)).toBeLessThanOrEqual(6);
    expect(port.writes.length).toBeLessThan(2_100);
    expect(Math.max(...lines().map(Number))).toBeGreaterThan(45);
  });

  it('sends slow streams line by line, each when it is due', () => {
    const { port, clock, made } = instrument({ rateHz: 10 });
    made.switchOn();
    for (let i = 1; i <= 20; i++) {
      clock.advance(100);
      expect(port.writes.length).toBe(i);
    }
  });

  it('starts, stops, zeroes and says who it is on command', () => {
    const { port, clock, made, lines } = instrument({ startsByItself: false }, 0.5);
    made.switchOn();
    clock.advance(100);
    expect(port.text).toBe('');
    port.say('wh');
    port.say('o\r\n');
    expect(port.text).toBe('HF;meter\r\n');
    port.say('go\r');
    clock.advance(100);
    expect(lines().slice(0, 2)).toEqual(['HF;meter', 'OK']);
    expect(Number(lines().at(-1))).toBeCloseTo(0.5, 2);
    port.say('TARE\n');
    clock.advance(50);
    expect(Number(lines().at(-1))).toBeCloseTo(0, 2);
    port.say('REST\nnonsense\n');
    const stopped = lines().length;
    clock.advance(1_000);
    expect(lines().length).toBe(stopped);
    expect(lines().slice(-2)).toEqual(['OK', '?']);
    expect(made.counters.commands).toBe(5);
    expect(clock.pendingTimers).toBe(0);
  });

  it('does not grow for a host that sends without end', () => {
    const { port, made } = instrument({ startsByItself: false });
    made.switchOn();
    for (let i = 0; i < 100; i++) port.say('x'.repeat(1_000));
    port.say('\nWHO\n');
    expect(port.text).toBe('?\r\nHF;meter\r\n');
  });

  it('floods only as far as the port takes it', () => {
    const { port, clock, made } = instrument({ pace: 'flood' });
    port.isBlocked = true;
    made.switchOn();
    for (let i = 0; i < 50; i++) clock.advance(1);
    expect(port.backlogBytes).toBeGreaterThan(60_000);
    expect(port.backlogBytes).toBeLessThan(70_000);
  });

  it('stands still rather than making up for a long pause of the process, and counts it', () => {
    const port = new MemoryPort();
    let now = 0;
    let wake = (): void => {};
    const { made } = instrument({ port, clock: { monoMs: () => now, wallMs: () => now, after: (_ms, callback) => { wake = callback; return () => {}; } } });
    made.switchOn();
    now = 10_000;
    wake();
    expect(port.text.split('\r\n').length - 1).toBe(500);
    expect(made.counters.lateSamples).toBe(9_500);
  });
});
