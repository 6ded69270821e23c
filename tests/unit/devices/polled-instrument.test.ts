import { describe, expect, it } from 'vitest';
import { modbusRtu } from '../../../drivers/protocols/modbus/driver.ts';
import { rtuFrame } from '../../../drivers/protocols/modbus/codec.ts';
import { asciiLines } from '../../../drivers/protocols/ascii-lines/driver.ts';
import { scpi } from '../../../drivers/protocols/scpi/driver.ts';
import { instrumentBench, type InstrumentBench } from '../../helpers/instrument-bench.ts';

/** A unit whose register counts its answers; `mood` says what becomes of a request. */
function bench(mood: { answers: (read: number) => boolean; delayMs?: (read: number) => number }, timeoutMs = 50): InstrumentBench {
  const made = instrumentBench({
    driver: modbusRtu,
    wrapLink: (link) => {
      let reads = 0;
      const far = made.far.at(-1)!;
      far.onWrite(() => {
        reads++;
        const read = reads;
        if (mood.answers(read)) made.clock.after(mood.delayMs?.(read) ?? 5, () => far.isOpen && far.deliver(rtuFrame(1, Uint8Array.of(3, 2, 0, read))));
      });
      return link;
    },
  }, {
    driver: { id: 'modbus-rtu', options: { poll: { rateHz: 10, timeoutMs, quietMs: 50 }, channels: [{ address: 0, type: 'u16' }] } },
    channels: [{ transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }],
  });
  return made;
}

describe('an instrument that is asked', () => {
  it('streams at the rate at which it is asked, without a second of measuring', async () => {
    const one = bench({ answers: () => true });
    await one.toStreaming();
    expect(one.instrument.sampleRateHz(0)).toBe(10);
    await one.pass(1_000);
    expect(one.blocks.length).toBeGreaterThanOrEqual(10);
    expect(one.blocks.slice(1).every((block) => block.gap === null && block.rateHz === 10 && Math.abs(block.spacingMs - 100) < 1)).toBe(true);
    const starts = one.blocks.map((block) => block.startMs);
    expect(starts.at(-1)! - starts[0]!).toBeCloseTo(100 * (starts.length - 1), 6);
    await one.instrument.stop();
  });

  it('a missing answer is a gap of one sample, and times stay even across it', async () => {
    const one = bench({ answers: (read) => read !== 6 });
    await one.toStreaming();
    await one.pass(1_500);
    const gaps = one.blocks.filter((block) => block.gap !== null);
    expect(gaps.map((block) => block.gap)).toEqual(['connected', 'lost-samples']);
    const indices = one.blocks.map((block) => block.firstIndex);
    const at = one.blocks.indexOf(gaps[1]!);
    expect(indices[at]! - indices[at - 1]!).toBe(2);
    expect(one.blocks[at]!.startMs - one.blocks[at - 1]!.startMs).toBeCloseTo(200, 6);
    await one.instrument.stop();
  });

  it.each([[95, 0], [150, 0], [190, 0], [215, 1], [320, 2]])('one answer that takes %i ms, asked each 100 ms, costs %i samples', async (slowMs, missing) => {
    const one = bench({ answers: () => true, delayMs: (read) => (read === 6 ? slowMs : 5) }, 1_000);
    await one.toStreaming();
    await one.pass(2_000);
    const indices = one.blocks.flatMap((block) => Array.from(block.device, (_, i) => block.firstIndex + i));
    expect(indices.at(-1)! + 1 - indices.length).toBe(missing);
    expect(one.blocks.filter((block) => block.gap === 'lost-samples').length).toBe(missing > 0 ? 1 : 0);
    // Every answer is there, in order, whatever it took.
    const values = one.blocks.flatMap((block) => [...block.device]);
    expect(values.every((value, i) => i === 0 || value === values[i - 1]! + 1)).toBe(true);
    await one.instrument.stop();
  });

  it('that falls silent is stalled, says why, and streams again after the next connection', async () => {
    let isDead = false;
    const one = bench({ answers: () => !isDead });
    await one.toStreaming();
    isDead = true;
    await one.pass(2_500);
    expect(one.state()).toBe('stalled');
    expect(one.instrument.info().fault).toMatchObject({ code: 'DEVICE_TIMEOUT' });
    isDead = false;
    await one.pass(300);
    expect(one.state()).toBe('streaming');
    await one.instrument.stop();
  });

  it.each([
    ['ascii-lines', asciiLines, { poll: { request: 'M', rateHz: 10 }, commands: { stop: 'HALT' } }, 'HALT\r\n'],
    ['ascii-lines that stream', asciiLines, { commands: { stop: 'HALT' } }, 'HALT\r\n'],
    ['scpi', scpi, { poll: { rateHz: 10 }, identify: false, setup: [], errors: { read: 'never' }, commands: { stop: 'SYST:LOC' } }, 'SYST:LOC\n'],
  ])('of %s hears its stop command once when the gateway stops', async (_name, driver, options, stop) => {
    const one = instrumentBench({
      driver,
      wrapLink: (link) => {
        const far = one.far.at(-1)!;
        far.onWrite(() => far.isOpen && far.deliver('1.5\n'));
        return link;
      },
    }, { driver: { id: driver.id, options: driver.optionsSchema.parse(options) }, channels: [{ sampleRateHz: 10, transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }] });
    one.instrument.start();
    for (let i = 0; one.state() !== 'streaming' && i < 40; i++) {
      if (one.far[0]?.isOpen) one.far[0].deliver('1.5\n');
      await one.pass(100);
    }
    expect(one.state()).toBe('streaming');
    const stopping = one.instrument.stop();
    await one.pass(600);
    await stopping;
    const written = one.far.flatMap((far) => far.written.map((bytes) => Buffer.from(bytes).toString('latin1')));
    expect(written.filter((text) => text === stop)).toEqual([stop]);
    expect(written.at(-1)).toBe(stop);
  });
});
