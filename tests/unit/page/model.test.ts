import { describe, expect, it } from 'vitest';
import { stepIn } from '../../../daemon/page/format.ts';
import { PageModel, READINGS_IN_LIST, READINGS_PER_CHANNEL, figureOf } from '../../../daemon/page/model.ts';
import { LiveTape } from '../../../daemon/page/live-tape.ts';
import type { HelloMessage } from '../../../shared/wire/events.ts';
import { channel, instrument } from '../../helpers/page-harness/fake-station.ts';
import { exampleReading } from '../../helpers/scripted-gateway.ts';

const AT = '2026-11-25T08:00:00.000Z';
const crank = channel(0, 'bench-a/1', 'Crank bolts', 100, 0.01, {});

function greeted(changes: Partial<HelloMessage> = {}): PageModel {
  const model = new PageModel();
  model.greet({
    type: 'hello', at: AT, station: 'Hollin & Fenn, bench 3', version: '0.1.0', protocol: 'torsiond.v1', instruments: [instrument('bench-a')], channels: [crank], lastSeq: 0, scope: 'operate', ...changes,
  });
  model.connected();
  return model;
}
const live = (value: number, unit = 'N.m') => ({ type: 'channel.live' as const, at: AT, channel: 'bench-a/1', unit, value, startAt: AT, spacingMs: 5, minMax: [value - 1, value + 1] });
const view = (model: PageModel) => model.channels.get('bench-a/1')!;

describe('what counts as live', () => {
  it('is the latest value while all is well', () => {
    const model = greeted();
    model.live(live(12));
    expect(view(model).live).toBe(12);
  });

  it('is nothing once the connection is lost', () => {
    const model = greeted();
    model.live(live(12));
    model.disconnected('gone');
    expect(view(model).live).toBeNull();
    expect(view(model).tape.pairs).toEqual([]);
    expect(model.connection).toEqual({ kind: 'lost', why: 'gone' });
  });

  it.each(['stalled', 'absent', 'waiting', 'needs-attention', 'stopped'] as const)('is nothing while the instrument is %s', (state) => {
    const model = greeted();
    model.live(live(12));
    model.instrument(instrument('bench-a', { state }));
    expect(view(model).live).toBeNull();
  });

  it('is nothing in another unit than the channel is set to', () => {
    const model = greeted();
    model.live(live(12));
    model.channelState(channel(0, 'bench-a/1', 'Crank bolts', 10_000, 1, { unit: 'cN.m' }));
    expect(view(model).live).toBeNull();
    model.live(live(12, 'N.m'));
    expect(view(model).live).toBeNull();
    model.live(live(1_200, 'cN.m'));
    expect(view(model).live).toBe(1_200);
  });
});

describe('another unit than before', () => {
  const inCentinewtonMetres = channel(0, 'bench-a/1', 'Crank bolts', 10_000, 1, { unit: 'cN.m' }, { state: 'held' });

  it('converts a held reading: 50.12 N·m is not shown as 50.12 cN·m', () => {
    const model = greeted();
    model.stored({ ...exampleReading(1), value: 50.12, unit: 'N.m' });
    model.channelState(channel(0, 'bench-a/1', 'Crank bolts', 100, 0.01, {}, { state: 'held' }));
    expect(figureOf(view(model))).toBe(50.12);
    model.channelState(inCentinewtonMetres);
    expect(figureOf(view(model))).toBeCloseTo(5_012, 9);
    model.channelState({ ...inCentinewtonMetres, state: 'armed' });
    expect(figureOf(view(model))).toBeNull();
  });

  it('leaves what was told in the unit that it was told in', () => {
    const model = greeted();
    model.clicked({ type: 'click.detected', at: AT, channel: 'bench-a/1', unit: 'N.m', torque: 40 });
    expect(view(model).click).toBe(40);
    model.interrupted({ type: 'cycle.interrupted', at: AT, source: null, channel: 'bench-a/1', epoch: 1, mode: 'peak', reason: 'gap', direction: 'cw', unit: 'N.m', maximum: 30, startedAt: AT, durationMs: 100 });
    model.channelState(inCentinewtonMetres);
    expect(view(model)).toMatchObject({ click: null, interrupted: { maximum: 30, unit: 'N.m' } });
    model.clicked({ type: 'click.detected', at: AT, channel: 'bench-a/1', unit: 'N.m', torque: 40 });
    expect(view(model).click).toBeNull();
  });

  it('rounds a reading by the step of the channel, in the unit of the reading', () => {
    expect(stepIn('N.m', inCentinewtonMetres)).toBeCloseTo(0.01, 12);
    expect(stepIn('cN.m', inCentinewtonMetres)).toBe(1);
  });
});

describe('readings', () => {
  it('stand newest first, each once, as many as there is room for', () => {
    const model = greeted();
    for (let seq = 1; seq <= 40; seq++) expect(model.stored(exampleReading(seq))).toBe(true);
    expect(model.stored(exampleReading(40))).toBe(false);
    expect(view(model).readings.map((reading) => reading.seq)).toEqual(Array.from({ length: READINGS_PER_CHANNEL }, (_, i) => 40 - i));
    expect(model.listed).toHaveLength(READINGS_IN_LIST);
  });

  it('that the store refused are listed as such until they are stored', () => {
    const model = greeted();
    const fault = { code: 'STORE_FULL', message: 'no room', where: null, hint: 'Make room.' };
    model.notStored({ type: 'reading.not-stored', at: AT, reading: exampleReading(1), fault });
    expect(model.listed.map((entry) => entry.isStored)).toEqual([false]);
    expect(model.store.state).not.toBe('ready');
    model.stored(exampleReading(1));
    model.storeState({ type: 'store.state', at: AT, state: 'ready', detail: null });
    expect(model.listed.map((entry) => entry.isStored)).toEqual([true]);
    expect(model.store.state).toBe('ready');
  });

  it('are kept over a reconnect, and channels that went are gone', () => {
    const model = greeted();
    model.stored(exampleReading(1));
    model.disconnected('gone');
    model.greet({ type: 'hello', at: AT, station: 'x', version: '0.1.0', protocol: 'torsiond.v1', instruments: [], channels: [crank, channel(1, 'b/1', 'B', 10, 0.01, {})], lastSeq: 1, scope: 'read' });
    expect(view(model).readings).toHaveLength(1);
    model.greet({ type: 'hello', at: AT, station: 'x', version: '0.1.0', protocol: 'torsiond.v1', instruments: [], channels: [], lastSeq: 1, scope: 'read' });
    expect(model.channels.size).toBe(0);
  });
});

it('tells of an interrupted cycle until the next begins', () => {
  const model = greeted();
  model.interrupted({
    type: 'cycle.interrupted', at: AT, source: null, channel: 'bench-a/1', epoch: 1, mode: 'peak', reason: 'gap', direction: 'cw', unit: 'N.m', maximum: 31, startedAt: AT, durationMs: 300,
  });
  expect(view(model).interrupted).toEqual({ reason: 'gap', maximum: 31, unit: 'N.m' });
  model.cycleStarted({ type: 'cycle.started', at: AT, channel: 'bench-a/1', epoch: 1, direction: 'cw' });
  expect(view(model).interrupted).toBeNull();
});

it('tells of torque without a reading, in the unit it was told in, until the next cycle begins', () => {
  const model = greeted();
  model.dismissed({
    type: 'cycle.dismissed', at: AT, source: null, channel: 'bench-a/1', epoch: 1, mode: 'peak', reason: 'too-short', direction: 'cw', unit: 'N.m', maximum: 9, startedAt: AT, durationMs: 8,
  });
  model.channelState({ ...view(model).info, settings: { ...view(model).info.settings, unit: 'cN.m' } });
  expect(view(model).dismissed).toEqual({ reason: 'too-short', maximum: 9, unit: 'N.m' });
  model.cycleStarted({ type: 'cycle.started', at: AT, channel: 'bench-a/1', epoch: 1, direction: 'cw' });
  expect(view(model).dismissed).toBeNull();
});

describe('the tape of the last seconds', () => {
  it('keeps its window and no more', () => {
    const tape = new LiveTape();
    for (let i = 0; i < 300; i++) tape.add(i * 100, 5, Array.from({ length: 40 }, (_, k) => (k % 2 === 0 ? -1 : 1)));
    const { pairs } = tape;
    expect(pairs.at(-1)!.atMs - pairs[0]!.atMs).toBeLessThanOrEqual(LiveTape.windowMs);
    expect(pairs.length).toBe(2_001);
  });

  it('is bounded however densely the pairs come', () => {
    const tape = new LiveTape();
    tape.add(0, 0.1, Array.from({ length: 20_000 }, () => 0));
    expect(tape.pairs).toHaveLength(LiveTape.limit);
  });
});
