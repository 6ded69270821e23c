import { describe, expect, it } from 'vitest';
import { TorsiondError } from '../../../shared/errors.ts';
import { breathe, instrumentBench } from '../../helpers/instrument-bench.ts';
import { scriptedDriver } from '../../helpers/scripted-driver.ts';

const identity = { maker: 'Hollin & Fenn', model: 'invented', serialNumber: 'HF-0001', firmware: '1' };

describe('an instrument on a good link', () => {
  it('reaches streaming and stamps samples by channel, epoch and index', async () => {
    const bench = instrumentBench(scriptedDriver());
    await bench.toStreaming();
    await bench.stream(50);
    expect(bench.infos.map((info) => info.state)).toEqual(['stopped', 'opening', 'settling', 'identifying', 'streaming']);
    expect(bench.blocks.map((block) => [block.channel, block.epoch, block.firstIndex, block.gap, block.device.length])).toEqual([
      ['bench-a/1', 1, 0, 'connected', 1], ['bench-a/1', 1, 1, null, 1], ['bench-a/1', 1, 2, null, 1], ['bench-a/1', 1, 3, null, 1], ['bench-a/1', 1, 4, null, 1],
    ]);
    await bench.instrument.stop();
  });

  it('discards and counts what a reset prints before the driver listens', async () => {
    const { driver, sessions } = scriptedDriver();
    const bench = instrumentBench({ driver });
    bench.instrument.start();
    await breathe();
    bench.far[0]!.deliver('boot v1\r\n');
    await bench.pass(200);
    bench.far[0]!.deliver('ready\r\n');
    await bench.pass(200);
    expect(sessions).toHaveLength(0);
    await bench.pass(100);
    expect(bench.state()).toBe('streaming');
    expect(bench.blocks).toEqual([]);
    expect(bench.instrument.counters().get('torsiond_instrument_discarded_bytes_total{instrument="bench-a"}')).toBe(16);
    await bench.instrument.stop();
  });

  it('keeps what arrives while the device identifies itself, in order', async () => {
    let answer = (): void => {};
    const bench = instrumentBench(scriptedDriver({ start: () => new Promise((resolve) => (answer = () => resolve(identity))) }));
    bench.instrument.start();
    await breathe();
    await bench.pass(260);
    expect(bench.state()).toBe('identifying');
    await bench.stream(50);
    expect(bench.blocks).toEqual([]);
    answer();
    await breathe();
    await bench.stream(20);
    expect(bench.blocks.map((block) => block.firstIndex)).toEqual([0, 1, 2, 3, 4, 5, 6]);
    expect(bench.instrument.info().identity).toEqual(identity);
    await bench.instrument.stop();
  });

  it('turns faults into indices, gaps and counts, never into samples', async () => {
    const { driver, sessions } = scriptedDriver();
    const bench = instrumentBench({ driver });
    await bench.toStreaming();
    await bench.stream(20);
    const fault = (code: 'VALUE_OVERLOAD' | 'FRAME_UNREADABLE' | 'FRAME_TOO_LONG', missing: number): void =>
      sessions[0]!.events.next({ kind: 'fault', error: new TorsiondError(code, 'made up'), channel: null, missing, atMs: bench.clock.monoMs() });
    fault('VALUE_OVERLOAD', 2);
    await bench.stream(10);
    fault('FRAME_UNREADABLE', 1);
    await bench.stream(10);
    fault('FRAME_TOO_LONG', 4);
    await bench.stream(10);
    fault('FRAME_UNREADABLE', 0);
    await bench.stream(10);
    expect(bench.blocks.map((block) => [block.firstIndex, block.gap])).toEqual([
      [0, 'connected'], [1, null], [4, 'overload'], [6, 'bad-sample'], [11, 'lost-samples'], [12, null],
    ]);
    expect(bench.instrument.counters().get('torsiond_samples_missing_total{channel="bench-a/1"}')).toBe(7);
    await bench.instrument.stop();
  });

  it('carries the unit that the device names and the states of its values', async () => {
    const bench = instrumentBench(scriptedDriver({
      read: (session, data, atMs) => session.events.next({ kind: 'values', channel: 0, values: Float64Array.from(data), unit: 'cN.m', status: Uint8Array.of(2), atMs }),
    }), { channels: [{ sampleRateHz: 100, unit: 'cN.m', transducer: { serialNumber: 'HF-0001', capacity: 6_000 }, capture: { mode: 'peak' } }] });
    await bench.toStreaming();
    await bench.stream(10);
    expect(bench.blocks[0]).toMatchObject({ unit: 'cN.m' });
    expect([...bench.blocks[0]!.status!]).toEqual([2]);
    await bench.instrument.stop();
  });

  it('taps what the driver gets as copies, and survives a tap that throws', async () => {
    const tapped: [number, string][] = [];
    const bench = instrumentBench({
      ...scriptedDriver(),
      onChunk: (chunk, epoch) => {
        tapped.push([epoch, new TextDecoder().decode(chunk.data)]);
        chunk.data.fill(0);
        throw new Error('the disk is on fire');
      },
    });
    await bench.toStreaming();
    bench.far[0]!.deliver('A');
    expect(tapped).toEqual([[1, 'A']]);
    expect([...bench.blocks[0]!.device]).toEqual([65]);
    expect(bench.instrument.counters().get('torsiond_instrument_tap_failures_total{instrument="bench-a"}')).toBe(1);
    await bench.instrument.stop();
  });

  it('says when the device sends at another rate than declared, and goes on', async () => {
    const bench = instrumentBench(scriptedDriver());
    await bench.toStreaming();
    await bench.stream(3_000, 20);
    expect(bench.instrument.info()).toMatchObject({ state: 'streaming', fault: { code: 'DEVICE_RATE', where: 'bench-a/1' } });
    expect(bench.blocks.at(-1)!.rateHz).toBe(100);
    await bench.instrument.stop();
  });

  it('measures a rate that is not declared', async () => {
    const bench = instrumentBench(scriptedDriver(), { channels: [{ transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }] });
    await bench.toStreaming();
    expect(bench.instrument.sampleRateHz(0)).toBeNull();
    await bench.stream(1_200);
    expect(bench.instrument.sampleRateHz(0)).toBe(100);
    expect(bench.blocks.reduce((sum, block) => sum + block.device.length, 0)).toBe(120);
    await bench.instrument.stop();
  });
});

describe('loss and return', () => {
  it('announces the gap at once and begins a new epoch on the next connection', async () => {
    const bench = instrumentBench(scriptedDriver());
    await bench.toStreaming();
    await bench.stream(30);
    const lastMs = bench.clock.monoMs();
    bench.far[0]!.unplug();
    await breathe();
    expect(bench.gaps).toEqual([{ instrument: 'bench-a', epoch: 1, reason: 'lost', lastSampleMs: lastMs, atMs: lastMs }]);
    expect(bench.instrument.info()).toMatchObject({ state: 'waiting', fault: { code: 'LINK_LOST' } });
    await bench.pass(1_000);
    await bench.stream(20);
    expect(bench.blocks.slice(-2).map((block) => [block.epoch, block.firstIndex, block.gap])).toEqual([[2, 0, 'connected'], [2, 1, null]]);
    await bench.instrument.stop();
  });

  it('comes back within 2 s of the port, however often, with one link at a time', async () => {
    const bench = instrumentBench(scriptedDriver());
    await bench.toStreaming();
    for (let round = 0; round < 25; round++) {
      await bench.stream(20);
      bench.port.exists = false;
      bench.far.at(-1)!.unplug();
      await bench.pass(round % 3 === 0 ? 20 : 1_500);
      bench.port.exists = true;
      bench.port.stamp = `round ${round}`;
      await bench.pass(2_000);
      expect(bench.state()).toBe('streaming');
    }
    expect(bench.instrument.info().epoch).toBe(26);
    expect(bench.mostOpen()).toBe(1);
    await bench.instrument.stop();
    expect(bench.clock.pendingTimers).toBe(0);
  });

  it('is absent without a port for as long as it takes', async () => {
    const bench = instrumentBench(scriptedDriver());
    bench.port.exists = false;
    bench.instrument.start();
    await bench.pass(3_000);
    expect(bench.instrument.info()).toMatchObject({ state: 'absent', fault: { code: 'LINK_NOT_FOUND' } });
    bench.port.exists = true;
    await bench.pass(600);
    expect(bench.state()).toBe('streaming');
    await bench.instrument.stop();
  });

  it('notices a port that vanished although the link says nothing', async () => {
    const bench = instrumentBench(scriptedDriver());
    await bench.toStreaming();
    bench.port.exists = false;
    for (let i = 0; i < 110 && bench.state() === 'streaming'; i++) await bench.pass(10);
    expect(bench.state()).toBe('absent');
    expect(bench.far[0]!.isOpen).toBe(false);
    await bench.instrument.stop();
  });

  it('needs a person for a missing permission, and sees when it is given', async () => {
    const bench = instrumentBench(scriptedDriver());
    bench.port.refusal = new TorsiondError('LINK_PERMISSION', 'may not');
    bench.instrument.start();
    await bench.pass(5_000);
    expect(bench.instrument.info()).toMatchObject({ state: 'needs-attention', fault: { code: 'LINK_PERMISSION' } });
    bench.port.refusal = null;
    bench.port.stamp = 'other mode';
    await bench.pass(700);
    expect(bench.state()).toBe('streaming');
    await bench.instrument.stop();
  });

  it('ends with a recording', async () => {
    const bench = instrumentBench(scriptedDriver());
    await bench.toStreaming();
    bench.far[0]!.finish();
    await breathe();
    expect(bench.state()).toBe('stopped');
    expect(bench.gaps.map((gap) => gap.reason)).toEqual(['stopped']);
    await bench.instrument.stop();
  });
});

describe('silence', () => {
  it('stalls after silenceMs, closes after twice that, and reopens', async () => {
    const bench = instrumentBench(scriptedDriver(), { silenceMs: 500 });
    await bench.toStreaming();
    await bench.stream(300);
    await bench.pass(490);
    expect(bench.state()).toBe('streaming');
    await bench.pass(20);
    expect(bench.instrument.info()).toMatchObject({ state: 'stalled', fault: { code: 'LINK_STALLED' } });
    expect(bench.gaps.map((gap) => gap.reason)).toEqual(['silence']);
    await bench.pass(510);
    expect(bench.state()).toBe('waiting');
    expect(bench.far[0]!.isOpen).toBe(false);
    await bench.pass(1_000);
    expect(bench.far).toHaveLength(2);
    await bench.instrument.stop();
  });

  it('goes on in the same epoch when samples come again, with a gap', async () => {
    const bench = instrumentBench(scriptedDriver(), { silenceMs: 500 });
    await bench.toStreaming();
    await bench.stream(300);
    await bench.pass(600);
    await bench.stream(400);
    expect(bench.state()).toBe('streaming');
    const from = bench.blocks.findIndex((block) => block.firstIndex === 30);
    expect(bench.blocks.slice(from, from + 3).map((block) => [block.epoch, block.firstIndex, block.gap])).toEqual([[1, 30, 'silence'], [1, 31, null], [1, 32, null]]);
    await bench.instrument.stop();
  });

  it('is not what a process sees that slept: what waits to be read comes first', async () => {
    const bench = instrumentBench(scriptedDriver(), { silenceMs: 500 });
    await bench.toStreaming();
    await bench.stream(300);
    bench.clock.sleep(3_000);
    await bench.pass(20);
    expect(bench.state()).toBe('streaming');
    // What the kernel kept: as many samples as were due.
    bench.far[0]!.deliver(new Uint8Array(302).fill(1));
    await bench.stream(300);
    expect(bench.infos.map((info) => info.state)).not.toContain('stalled');
    expect(bench.gaps).toEqual([]);
    expect(bench.blocks.map((block) => block.gap).filter((gap) => gap !== null)).toEqual(['connected']);
    await bench.instrument.stop();
  });

  it('is told a little later by a process that slept, when nothing waited to be read', async () => {
    const bench = instrumentBench(scriptedDriver(), { silenceMs: 500 });
    await bench.toStreaming();
    await bench.stream(300);
    bench.clock.sleep(3_000);
    await bench.pass(200);
    expect(bench.state()).toBe('streaming');
    await bench.pass(100);
    expect(bench.instrument.info()).toMatchObject({ state: 'stalled', fault: { code: 'LINK_STALLED' } });
    await bench.instrument.stop();
  });

  it('does not call a slow channel silent', async () => {
    const bench = instrumentBench(scriptedDriver(), { silenceMs: 500, channels: [{ sampleRateHz: 1, transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }] });
    await bench.toStreaming();
    await bench.stream(10_000, 1_000);
    expect(bench.infos.map((info) => info.state)).not.toContain('stalled');
    await bench.instrument.stop();
  });

  it('names what it hears when it hears only garbage', async () => {
    const bench = instrumentBench(scriptedDriver({
      read: (session, _data, atMs) => session.events.next({ kind: 'fault', error: new TorsiondError('FRAME_TOO_LONG', 'no delimiter'), channel: null, missing: 1, atMs }),
    }), { silenceMs: 500 });
    await bench.toStreaming();
    await bench.stream(600);
    expect(bench.instrument.info()).toMatchObject({ state: 'stalled', fault: { code: 'FRAME_TOO_LONG' } });
    expect(bench.blocks).toEqual([]);
    await bench.instrument.stop();
  });
});

describe('who is there', () => {
  it('lets no sample of another instrument through', async () => {
    const bench = instrumentBench(scriptedDriver({ start: async (session) => {
      session.events.next({ kind: 'values', channel: 0, values: Float64Array.of(1), unit: null, status: null, atMs: 1_000 });
      return { ...identity, serialNumber: 'HF-0999' };
    } }), { identity: { serialNumber: 'HF-0001' } });
    bench.instrument.start();
    await breathe();
    await bench.pass(300);
    expect(bench.instrument.info()).toMatchObject({ state: 'needs-attention', fault: { code: 'DEVICE_MISMATCH' } });
    expect(bench.blocks).toEqual([]);
    expect(bench.far[0]!.isOpen).toBe(false);
    await bench.instrument.stop();
  });

  it('asks three times, each time with a session of its own', async () => {
    const { driver, sessions } = scriptedDriver({ start: (_session, attempt) => (attempt < 3 ? new Promise(() => {}) : Promise.resolve(identity)) });
    const bench = instrumentBench({ driver });
    bench.instrument.start();
    await breathe();
    await bench.pass(6_400);
    expect(bench.state()).toBe('streaming');
    expect(sessions.map((session) => session.isStopped)).toEqual([true, true, false]);
    await expect(sessions[0]!.context.link.write(Uint8Array.of(1))).rejects.toMatchObject({ code: 'LINK_CLOSED' });
    await bench.stream(20);
    expect(bench.blocks).toHaveLength(2);
    await bench.instrument.stop();
  });

  it('takes a late answer of an earlier attempt for nothing', async () => {
    const answers: (() => void)[] = [];
    const bench = instrumentBench(scriptedDriver({ start: () => new Promise((resolve) => answers.push(() => resolve(identity))) }));
    bench.instrument.start();
    await breathe();
    await bench.pass(3_300);
    expect(answers).toHaveLength(2);
    answers[0]!();
    await breathe();
    expect(bench.state()).toBe('identifying');
    answers[1]!();
    await breathe();
    expect(bench.state()).toBe('streaming');
    await bench.instrument.stop();
  });
});

describe('stopping', () => {
  it('stops the driver, closes the link and leaves no timer', async () => {
    const { driver, sessions } = scriptedDriver();
    const bench = instrumentBench({ driver });
    await bench.toStreaming();
    await bench.instrument.stop();
    expect(sessions[0]!.isStopped).toBe(true);
    expect(bench.far[0]!.isOpen).toBe(false);
    expect(bench.state()).toBe('stopped');
    expect(bench.clock.pendingTimers).toBe(0);
    bench.instrument.start();
    await bench.pass(300);
    expect(bench.state()).toBe('streaming');
    await bench.instrument.stop();
  });

  it('takes at most 2 s when driver and link hang', async () => {
    const bench = instrumentBench({
      ...scriptedDriver({ stop: () => new Promise(() => {}) }),
      wrapLink: (link) => ({ label: link.label, ended: link.ended, listen: (listener) => link.listen(listener), write: (data) => link.write(data), close: () => new Promise(() => {}) }),
    });
    await bench.toStreaming();
    let isStopped = false;
    void bench.instrument.stop().then(() => (isStopped = true));
    await bench.pass(2_000);
    expect(isStopped).toBe(true);
    expect(bench.instrument.counters().get('torsiond_instrument_links_abandoned_total{instrument="bench-a"}')).toBe(1);
    expect(bench.clock.pendingTimers).toBe(0);
  });

  it('gives up an opening, and closes what opens late', async () => {
    let finish = (): void => {};
    let isClosed = false;
    const bench = instrumentBench({
      ...scriptedDriver(),
      openLink: () => new Promise((resolve) => {
        finish = () => resolve({ label: 'late', ended: new Promise(() => {}), listen: () => {}, write: async () => {}, close: async () => { isClosed = true; } });
      }),
    });
    bench.instrument.start();
    await breathe();
    const stopped = bench.instrument.stop();
    finish();
    await stopped;
    expect(isClosed).toBe(true);
    expect(bench.state()).toBe('stopped');
  });
});
