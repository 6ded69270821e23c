import { describe, expect, it } from 'vitest';
import { ScpiFormat, ScpiInstrument } from '../../../simulator/instruments/scpi-instrument.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { MemoryPort } from './memory-port.ts';

function indicator(format: object = {}, torques: readonly number[] = [12.34, -0.5]) {
  const port = new MemoryPort();
  const clock = new ManualClock();
  const zeroed: number[] = [];
  const state = { isSaturated: false };
  const instrument = new ScpiInstrument({
    port, clock, rateHz: 100, format: ScpiFormat.parse(format),
    channels: torques.map((torque, i) => ({ source: { next: () => torque, get isSaturated() { return state.isSaturated; }, zero: () => zeroed.push(i) }, shown: { factor: 1, offset: 0 } })),
  });
  instrument.switchOn();
  let heard = 0;
  /** What is answered to a message, without the terminator; empty: nothing. */
  const ask = (message: string): string => {
    port.say(`${message}\n`);
    const said = port.text.slice(heard);
    heard = port.text.length;
    return said.replace(/\n$/, '');
  };
  return { port, clock, instrument, ask, zeroed, state };
}

/** IEEE 488.2 and SCPI-99 volume 1, 4 (syntax) and volume 2, 21.8 (errors and events). */
describe('a SCPI instrument of the simulator', () => {
  it('answers in NR3, values with commas, messages of several queries with semicolons', () => {
    const { ask } = indicator();
    expect(ask('READ?')).toBe('+1.2340000E+01,-5.0000000E-01');
    expect(ask('*IDN?;:SYST:ERR?')).toBe('Hollin & Fenn,HF torque indicator,0,0;0,"No error"');
    expect(ask('SYST:VERS?')).toBe('1999.0');
    expect(ask('*OPC?;*TST?')).toBe('1;0');
    expect(ask('')).toBe('');
  });

  it('knows headers in long and short form, whatever the case, and optional nodes', () => {
    const { ask } = indicator();
    for (const header of ['READ?', 'read?', ':READ?', 'MEAS?', 'MEASure:TORQue?', 'meas:torq?', 'FETC?', 'FETCH?']) expect(ask(header), header).toMatch(/^\+1\.2340000E\+01,/);
    for (const header of ['SYST:ERR?', 'SYSTem:ERRor:NEXT?', 'system:error?']) expect(ask(header), header).toBe('0,"No error"');
    // Neither form.
    for (const header of ['MEASU?', 'SYSTE:ERR?', 'READ']) {
      expect(ask(header), header).toBe('');
      expect(ask('SYST:ERR?')).toBe('-113,"Undefined header"');
    }
  });

  it('keeps errors in order, and goes on after one in the same message', () => {
    const { ask } = indicator();
    expect(ask('NONSENSE;*IDN?;FETC?')).toBe('Hollin & Fenn,HF torque indicator,0,0');
    expect(ask('SYST:ERR?')).toBe('-113,"Undefined header"');
    expect(ask('SYST:ERR?')).toBe('-230,"Data corrupt or stale"');
    expect(ask('SYST:ERR?')).toBe('0,"No error"');
  });

  it('ends a full queue with -350, and what came later is lost', () => {
    const { ask } = indicator();
    for (let i = 0; i < 25; i++) ask('NONSENSE');
    const entries = Array.from({ length: 21 }, () => ask('SYST:ERR?'));
    expect(entries.slice(0, 19)).toEqual(new Array(19).fill('-113,"Undefined header"'));
    expect(entries.slice(19)).toEqual(['-350,"Queue overflow"', '0,"No error"']);
  });

  it('has no value to fetch before one was acquired, and none after *RST', () => {
    const { ask } = indicator();
    expect(ask('FETC?')).toBe('');
    expect(ask('SYST:ERR?')).toBe('-230,"Data corrupt or stale"');
    ask('*TRG');
    expect(ask('FETC?')).toMatch(/^\+1\.234/);
    ask('*RST');
    expect(ask('FETC?')).toBe('');
  });

  it('sums events in the status register by their bits, and clears them when they are read or with *CLS', () => {
    const { ask } = indicator();
    // Power on: bit 7.
    expect(ask('*ESR?')).toBe('128');
    expect(ask('*ESR?')).toBe('0');
    // Command error 32, execution error 16, operation complete 1.
    ask('NONSENSE');
    ask('FETC?');
    ask('*OPC');
    expect(ask('*STB?')).toBe('4');
    expect(ask('*ESR?')).toBe('49');
    ask('NONSENSE');
    ask('*CLS');
    expect(ask('*ESR?;*STB?;:SYST:ERR?')).toBe('0;0;0,"No error"');
  });

  it('refuses a message that is too long, whole, and understands the next', () => {
    const { ask } = indicator();
    expect(ask(`${'A'.repeat(2_000)};READ?`)).toBe('');
    expect(ask('SYST:ERR?')).toBe('-223,"Too much data"');
    expect(ask('READ?')).toMatch(/^\+1\.234/);
  });

  it('that is asked again before it answered answers the second question only: query interrupted', () => {
    const { ask, clock, port } = indicator({ answerMs: 20 });
    ask('READ?');
    clock.advance(10);
    ask('*IDN?');
    clock.advance(100);
    expect(port.text).toBe('Hollin & Fenn,HF torque indicator,0,0\n');
    ask('SYST:ERR?');
    clock.advance(100);
    expect(port.text.split('\n')[1]).toBe('-410,"Query INTERRUPTED"');
    ask('*ESR?');
    clock.advance(100);
    // Power on, and query error: bit 2.
    expect(port.text.split('\n')[2]).toBe('132');
  });

  it('says not-a-number while it warms up and infinity when it is overloaded', () => {
    const { ask, clock, state } = indicator({ warmUpS: 2 });
    expect(ask('READ?')).toBe('9.91E+37,9.91E+37');
    clock.advance(2_000);
    expect(ask('READ?')).toMatch(/^\+1\.234/);
    state.isSaturated = true;
    clock.advance(20);
    expect(ask('READ?')).toBe('9.9E+37,-9.9E+37');
  });

  it('zeroes every channel, and hears nothing while it is off', () => {
    const { ask, instrument, zeroed } = indicator();
    ask('CAL:ZERO');
    expect(zeroed).toEqual([0, 1]);
    instrument.switchOff();
    expect(ask('*IDN?')).toBe('');
    instrument.switchOn();
    expect(ask('*ESR?')).toBe('128');
  });
});
