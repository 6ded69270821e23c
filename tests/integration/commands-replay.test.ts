import { spawnSync } from 'node:child_process';
import { readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { createRecorder } from '../../daemon/recording/recorder.ts';
import { InstrumentSettings } from '../../daemon/settings/schema.ts';
import { DismissedCycle, InterruptedCycle, Reading } from '../../shared/reading.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { inProcess, torsiond } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { csvText, pullTorque, withNoise } from '../helpers/traces.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const ENTRY = fileURLToPath(new URL('../../daemon/torsiond.mjs', import.meta.url));
const THREE_PULLS = [
  ...pullTorque({ torque: 50, hasClick: true, after: 56 }, 1_000),
  ...pullTorque({ torque: 30, hasClick: false }, 1_000),
  ...pullTorque({ torque: -45, hasClick: true }, 1_000),
];

function file(text: string | Uint8Array, name = 'a.csv'): string {
  const path = join(tempFolder(), name);
  writeFileSync(path, text);
  return path;
}

const objects = (stdout: string): Record<string, unknown>[] => stdout.split('\n').filter((line) => line !== '').map((line) => JSON.parse(line) as Record<string, unknown>);

/** A recorder writes what it has four times a second. */
const WRITTEN_EVERY_MS = 500;

/** The same torque as an instrument would send it, recorded: lines in chunks of some milliseconds. */
async function recording(values: readonly number[], channel: object = {}, piecesMs = 7, line = (value: number, _i: number): string => value.toFixed(4)): Promise<string> {
  const path = join(tempFolder(), 'a.mcap');
  const clock = new ManualClock(5_000, Date.UTC(2026, 10, 25, 8));
  const instrument = InstrumentSettings.parse({
    id: 'bench-a', link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: { id: 'ascii-lines' },
    channels: [{ sampleRateHz: 1_000, zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-T-0060', capacity: 60 }, capture: { mode: 'first-peak' }, ...channel }],
  });
  const recorder = await createRecorder(path, { station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const connection = recorder.connection(instrument, 1);
  // The driver drops what stands before the first line end, because it may be half a line.
  connection.chunk({ data: Buffer.from('\n'), atMs: 5_000 });
  let writtenMs = 0;
  let size = 0;
  for (let at = 0; at < values.length; at += piecesMs) {
    connection.chunk({ data: Buffer.from(values.slice(at, at + piecesMs).map((value, i) => `${line(value, at + i)}\n`).join('')), atMs: 5_001 + at + piecesMs });
    clock.advance(piecesMs);
    await new Promise((resolve) => setImmediate(resolve));
    if (at - writtenMs < WRITTEN_EVERY_MS) continue;
    // What was due is in the file, on a slow disk too: so the file has the same parts each time.
    writtenMs = at;
    await waitUntil(() => statSync(path).size > size, 'the recording to grow');
    ({ size } = statSync(path));
  }
  await recorder.close();
  return path;
}

describe('a part of a file', () => {
  const window = async (path: string, ...more: string[]): Promise<{ readings: Record<string, unknown>[]; stderr: string }> => {
    const { exitCode, stdout, stderr } = await inProcess('replay', path, '--mode', 'first-peak', '--capacity', '60', '--json', ...more);
    expect(exitCode).toBe(0);
    return { readings: objects(stdout), stderr };
  };

  it.each(['trace', 'recording'])('of a %s tells the readings inside as the whole replay does, and how many it left out', async (kind) => {
    const torque = withNoise(THREE_PULLS, 0.02);
    const path = kind === 'trace' ? file(csvText(torque, 1_000)) : await recording(torque);
    const whole = (await window(path)).readings;
    expect(whole).toHaveLength(3);
    const beginMs = kind === 'trace' ? 0 : Date.UTC(2026, 10, 25, 8);
    const startS = whole.map((reading) => (Date.parse(reading.startedAt as string) - beginMs) / 1_000);
    const second = await window(path, '--from', String(startS[1]! - 0.01), '--to', String(startS[2]!));
    expect(second.readings).toEqual([whole[1]]);
    expect(second.stderr).toMatch(/^note: 2 cycles outside of --from and --to, or only partly inside, left out /);
    const moment = await window(path, '--from', whole[2]!.startedAt as string);
    expect(moment.readings).toEqual([whole[2]]);
    // A cycle that the window cuts is none of it.
    expect((await window(path, '--from', String(startS[1]! + 0.01), '--to', String(startS[2]! + 0.01))).readings).toEqual([]);
  });

  it('is refused where its end is no moment', async () => {
    expect(await inProcess('replay', 'a.csv', '--from', 'noon')).toMatchObject({ exitCode: 64, stderr: expect.stringContaining('"noon" is neither a number of seconds nor a date and time') as string });
    expect(await inProcess('replay', 'a.csv', '--from', '6', '--to', '2')).toMatchObject({ exitCode: 64, stderr: expect.stringContaining('--from must be earlier than --to') as string });
  });

  it('names the unit of times where they make a rate that is too low', async () => {
    const path = file(`time_s,torque_Nm\n${Array.from({ length: 50 }, (_, i) => `${i / 2},${i}`).join('\n')}\n`);
    expect(await inProcess('replay', path, '--mode', 'peak', '--capacity', '60')).toMatchObject({ exitCode: 78, stderr: expect.stringMatching(/RATE_TOO_LOW .*--time-unit/) as string });
  });
});

describe('a trace from standard input', () => {
  it('gives the readings of the file, and says what it passed over', async () => {
    const path = file(`Hollin & Fenn logger\n${csvText(withNoise(THREE_PULLS, 0.02), 1_000)}`);
    const options = ['--mode', 'first-peak', '--capacity', '60', '--json'];
    const direct = await torsiond('replay', path, ...options);
    const piped = spawnSync(process.execPath, [ENTRY, 'replay', '-', ...options], { input: readFileSync(path), encoding: 'utf8' });
    expect(piped.status).toBe(0);
    const plain = (text: string): Record<string, unknown>[] => objects(text).map(({ source: _source, id: _id, ...rest }) => rest);
    expect(plain(piped.stdout)).toEqual(plain(direct.stdout));
    expect(plain(piped.stdout)).toHaveLength(3);
    expect(piped.stderr).toBe('note: a line before the names of the columns (line 2) passed over (-)\n');
  });
});

describe('torsiond replay', () => {
  it('prints one JSON line per reading, for several files in order, with the fields of the interface', async () => {
    const a = file(csvText(withNoise(THREE_PULLS, 0.02), 1_000));
    const b = file(csvText(withNoise(pullTorque({ torque: 40, hasClick: true }, 2_000), 0.02), 2_000));
    const { exitCode, stdout, stderr } = await torsiond('replay', a, b, '--mode', 'first-peak', '--capacity', '60', '--target', '50', '--low', '48', '--high', '52', '--json');
    expect({ exitCode, stderr }).toEqual({ exitCode: 0, stderr: '' });
    const readings = objects(stdout).map((object) => Reading.parse(object));
    expect(readings.map((reading) => [reading.source, reading.mode, reading.click, reading.direction, reading.verdict, reading.unit, reading.sampleRateHz])).toEqual([
      [a, 'first-peak', true, 'cw', 'within', 'N.m', 1_000],
      [a, 'first-peak', false, 'cw', 'low', 'N.m', 1_000],
      [a, 'first-peak', true, 'ccw', 'low', 'N.m', 1_000],
      [b, 'first-peak', true, 'cw', 'low', 'N.m', 2_000],
    ]);
    expect(readings[0]).toMatchObject({ type: 'reading', seq: null, channel: 'trace/1', target: 50, low: 48, high: 52, uncertainty: null, cutoffHz: null, traceId: null });
    for (const [i, value, maximum] of [[0, 50, 56], [1, 30, 30], [2, -45, -47.25], [3, 40, 42]] as const) {
      expect(Math.abs(readings[i]!.value - value)).toBeLessThan(0.15);
      expect(Math.abs(readings[i]!.maximum - maximum)).toBeLessThan(0.15);
    }
    expect(readings[0]!.startedAt).toMatch(/^1970-01-01T00:00:00\.[67]\d\dZ$/);
    expect(new Set(readings.map((reading) => reading.id)).size).toBe(4);
  });

  it('gives the same bytes for any block size', async () => {
    const path = file(csvText(withNoise(THREE_PULLS, 0.03), 1_000));
    const run = async (block: number): Promise<string> => (await inProcess('replay', path, '--mode', 'first-peak', '--capacity', '60', '--cutoff', '100', '--json', '--block', String(block))).stdout;
    const expected = await run(65_536);
    expect(objects(expected)).toHaveLength(3);
    await fc.assert(fc.asyncProperty(fc.integer({ min: 1, max: 6_000 }), async (block) => {
      expect(await run(block)).toBe(expected);
    }), { numRuns: 15, examples: [[1], [2], [255], [256], [257]] });
  });

  it('gives for a recording what it gives for the trace of the same torque', async () => {
    const values = withNoise(THREE_PULLS, 0.02);
    const fromTrace = objects((await inProcess('replay', file(csvText(values, 1_000)), '--mode', 'first-peak', '--capacity', '60', '--json')).stdout);
    const fromRecording = objects((await inProcess('replay', await recording(values), '--json')).stdout);
    const judged = (reading: Record<string, unknown>): unknown[] => [reading.mode, reading.value, reading.maximum, reading.click, reading.direction, reading.durationMs, reading.sampleRateHz];
    expect(fromRecording.map(judged)).toEqual(fromTrace.map(judged));
    expect(fromRecording[0]).toMatchObject({ channel: 'bench-a/1', epoch: 1, startedAt: expect.stringMatching(/^2026-11-25T08:00:00\.[67]/) as string });
  });

  it('gives the same readings at any speed and in any other split of the bytes, and other settings on demand', async () => {
    const values = withNoise(pullTorque({ torque: 50, hasClick: true, after: 56 }, 1_000), 0.02);
    const path = await recording(values);
    const atOnce = (await inProcess('replay', path, '--json')).stdout;
    expect((await inProcess('replay', path, '--json', '--speed', '20')).stdout).toBe(atOnce);
    const other = objects((await inProcess('replay', await recording(values, {}, 1), '--json')).stdout)[0]!;
    const first = objects(atOnce)[0]!;
    for (const field of ['value', 'maximum', 'click', 'durationMs', 'direction', 'verdict'] as const) expect(other[field]).toBe(first[field]);
    const [peak] = objects((await inProcess('replay', path, '--json', '--mode', 'peak', '--unit', 'cN.m', '--target', '5500', '--low', '5000', '--high', '6000')).stdout);
    expect(peak).toMatchObject({ mode: 'peak', unit: 'cN.m', verdict: 'within', target: 5_500 });
    expect(peak!.value).toBe((first.maximum as number) / 0.01);
  });

  it('counts torques on the command line in the unit that is named', async () => {
    const path = file(csvText(withNoise(pullTorque({ torque: 5, hasClick: true }, 1_000), 0.002), 1_000));
    const [reading] = objects((await inProcess('replay', path, '--mode', 'peak', '--unit', '[lbf_av].[in_i]', '--capacity', '100', '--target', '46', '--low', '40', '--high', '50', '--json')).stdout);
    expect(reading).toMatchObject({ unit: '[lbf_av].[in_i]', verdict: 'within' });
    expect(reading!.value).toBeCloseTo(5.25 / 0.1129848290276167, 0);
  });

  it('tells knocks and standing torque, as lines and as JSON', async () => {
    const samples = [...new Array<number>(400).fill(0), 5, 9, 5, ...new Array<number>(600).fill(0), ...new Array<number>(2_000).fill(-0.8)];
    const path = file(csvText(samples, 1_000));
    const { stdout } = await inProcess('replay', path, '--mode', 'peak', '--capacity', '60');
    const lines = stdout.trimEnd().split('\n');
    expect(lines[2]).toMatch(/0\.400 s +0\.00 s +– +9\.00 +N·m +cw +– +no reading: too-short$/);
    expect(lines[3]).toMatch(/^ +2\.\d\d\d s +trace\/1 is loaded at rest by -0\.80 N·m: unload and zero$/);
    expect(lines.at(-1)).toBe('0 readings, 0 interrupted cycles, 1 dismissed cycle');
    const [knock, note, ...rest] = objects((await inProcess('replay', path, '--mode', 'peak', '--capacity', '60', '--json')).stdout);
    expect(DismissedCycle.parse(knock)).toMatchObject({ source: path, channel: 'trace/1', reason: 'too-short', maximum: 9, durationMs: 3 });
    expect(note).toMatchObject({ type: 'channel.loaded', source: path, channel: 'trace/1', unit: 'N.m', torque: expect.closeTo(-0.8, 6) as number });
    expect(rest).toEqual([]);
  });

  it('counts the pulses of a run-down', async () => {
    const blow = Array.from({ length: 200 }, (_, i) => (i < 40 ? Math.sin((Math.PI * (i + 0.5)) / 40) : 0));
    const rest = new Array<number>(2_500).fill(0);
    const path = file(csvText([...rest, ...[20, 30, 36, 38, 37].flatMap((height) => blow.map((value) => height * value)), ...rest], 5_000));
    const { stdout } = await inProcess('replay', path, '--mode', 'pulse', '--capacity', '60', '--pulse-last', '2', '--pulse-value', 'mean-of-last', '--target', '37', '--low', '36', '--high', '38');
    expect(stdout.split('\n')[2]).toMatch(/37\.47 +37\.97 +N·m +cw +within +pulse, 5 pulses in 0\.16 s, mean of the last 2 37\.47$/);
    const [reading] = objects((await inProcess('replay', path, '--mode', 'pulse', '--capacity', '60', '--unit', 'cN.m', '--json')).stdout);
    expect(Reading.parse(reading)).toMatchObject({ mode: 'pulse', verdict: 'none', pulse: { count: 5, meanOf: 5, highest: reading!.value } });
    expect(reading!.value).toBeCloseTo(3_797, -1);
  });

  it('shows a table to people', async () => {
    const path = file(csvText(withNoise(THREE_PULLS, 0.02), 1_000));
    const { stdout } = await inProcess('replay', path, '--mode', 'first-peak', '--capacity', '60');
    const lines = stdout.trimEnd().split('\n');
    expect(lines[0]).toBe(path);
    expect(lines[1]).toContain('verdict');
    expect(lines).toHaveLength(6);
    expect(lines[4]).toMatch(/-4[45]\.\d\d\s+-47\.\d\d\s+N·m\s+ccw/);
    expect(lines.at(-1)).toBe('3 readings, 0 interrupted cycles, 0 dismissed cycles');
  });
});

describe('a replay that was not told enough', () => {
  it('of a plain trace says which mode is missing, and which there are', async () => {
    const path = file(csvText(pullTorque({ torque: 50, hasClick: true }, 1_000), 1_000));
    const { exitCode, stdout, stderr } = await inProcess('replay', path, '--capacity', '60', '--json');
    expect({ exitCode, stdout }).toEqual({ exitCode: 64, stdout: '' });
    expect(stderr).toMatch(/^USAGE a trace does not say how a cycle becomes a reading; give it with --mode, which is one of track, peak, first-peak, pulse \(/);
    expect((await inProcess('replay', path, '--mode', 'peak')).stderr).toMatch(/^USAGE a trace does not say the transducer's capacity/);
  });
});

describe('a recording of a device that changes its unit', () => {
  const pull = withNoise(pullTorque({ torque: 50, hasClick: true }, 1_000), 0.02);

  it('gives what came before, then tells the fault; nothing in the other unit is judged', async () => {
    const path = await recording([...pull, ...pull], {}, 7, (value, i) => `${value.toFixed(4)} ${i < pull.length + 900 ? 'Nm' : 'ft-lb'}`);
    const { exitCode, stdout, stderr } = await inProcess('replay', path, '--json');
    expect(exitCode).toBe(65);
    expect(stderr).toMatch(/^UNIT_REFUSED the device names the unit \[lbf_av\]\.\[ft_i\], but the channel is set to N\.m; nothing of it is used \(/);
    const told = objects(stdout);
    expect(told.map(({ type }) => type)).toEqual(['reading', 'cycle.interrupted']);
    expect(Math.abs((told[0]!.value as number) - 50)).toBeLessThan(0.15);
  });

  it('is converted where its settings asked for it', async () => {
    const path = await recording(pull, { deviceUnit: 'named' }, 7, (value) => `${(value / 1.3558179483314003).toFixed(5)} ft-lb`);
    const { exitCode, stdout } = await inProcess('replay', path, '--json');
    expect(exitCode).toBe(0);
    const [reading] = objects(stdout);
    expect(reading).toMatchObject({ unit: 'N.m', click: true });
    expect(Math.abs((reading!.value as number) - 50)).toBeLessThan(0.15);
  });
});

describe('bad input to a replay', () => {
  const pull = withNoise(pullTorque({ torque: 50, hasClick: true }, 1_000), 0.02);

  it('a bad row: what was complete before it is printed, then the line is named, and nothing after it counts', async () => {
    const good = csvText(pull, 1_000);
    const half = csvText(pull.slice(0, 1_200), 1_000, pull.length / 1_000).split('\n').slice(1).join('\n');
    const rest = csvText(pull, 1_000, 10).split('\n').slice(1).join('\n');
    const path = file(`${good}${half}3.9,??\n${rest}`);
    const badLine = good.split('\n').length - 1 + 1_200 + 1;
    const { exitCode, stdout, stderr } = await torsiond('replay', path, '--mode', 'peak', '--capacity', '60', '--json');
    expect(exitCode).toBe(65);
    expect(stderr).toBe(`INPUT_BAD_ROW line ${badLine}: torque_Nm is "??"; a finite number is needed (${path}:${badLine}). Correct or remove the named row; nothing after it was judged.\n`);
    const printed = objects(stdout);
    expect(printed.map((object) => object.type)).toEqual(['reading', 'cycle.interrupted']);
    expect(InterruptedCycle.parse(printed[1]).reason).toBe('record-ended');
  });

  it.each(['NaN', 'Infinity', '-Infinity', ''])('a torque of "%s" is never judged', async (text) => {
    const lines = csvText(pull, 1_000).split('\n');
    lines[1_000] = `${lines[1_000]!.split(',')[0]},${text}`;
    const { exitCode, stdout, stderr } = await inProcess('replay', file(lines.join('\n')), '--mode', 'peak', '--capacity', '60', '--json');
    expect(exitCode).toBe(65);
    expect(stderr).toMatch(/^INPUT_BAD_ROW line 1001: /);
    expect(objects(stdout).map((object) => object.type)).toEqual(['cycle.interrupted']);
  });

  it('torque beyond capacity is flagged', async () => {
    const { stdout } = await inProcess('replay', file(csvText(pull, 1_000)), '--mode', 'peak', '--capacity', '40', '--json');
    expect(objects(stdout)).toEqual([expect.objectContaining({ type: 'reading', flags: expect.arrayContaining(['over-capacity']) as unknown })]);
  });

  it('a hole in the times interrupts the cycle that it falls into', async () => {
    const lines = csvText([...pull, ...pull], 1_000).split('\n');
    lines.splice(1_000, 40);
    const { exitCode, stdout } = await inProcess('replay', file(lines.join('\n')), '--mode', 'peak', '--capacity', '60', '--json');
    expect(exitCode).toBe(0);
    const [interrupted, reading] = objects(stdout).filter((object) => object.reason !== 'already-loaded');
    expect(interrupted).toMatchObject({ type: 'cycle.interrupted', reason: 'gap' });
    expect(reading).toMatchObject({ type: 'reading' });
  });

  it('a cut recording: read up to the cut, told with exit 65, and the next file follows', async () => {
    const path = await recording([...pull, ...pull]);
    const bytes = readFileSync(path);
    const cut = file(bytes.subarray(0, Math.floor(bytes.length * 0.75)), 'cut.mcap');
    const next = file(csvText(pull, 1_000));
    const { exitCode, stdout, stderr } = await torsiond('replay', cut, next, '--mode', 'first-peak', '--capacity', '60', '--json');
    expect(exitCode).toBe(65);
    expect(stderr).toMatch(/^INPUT_CUT the recording was cut: .*read were \d+ chunks with \d+ bytes \(.*cut\.mcap\)\. .*\n$/);
    expect(objects(stdout).map((object) => [object.type, object.source])).toEqual([['reading', cut], ['cycle.interrupted', cut], ['reading', next]]);
    // The first pull was complete before the cut and reads as in the whole recording.
    const [whole] = objects((await inProcess('replay', path, '--json')).stdout);
    expect(objects(stdout)[0]).toMatchObject({ value: whole!.value, click: whole!.click, startedAt: whole!.startedAt });
  });

  it.each([
    ['a file that is not there', () => '/nonexistent/a.csv', 66, 'INPUT_NOT_FOUND'],
    ['a folder', () => tempFolder(), 66, 'INPUT_NOT_FOUND'],
    ['an empty file', () => file(''), 65, 'INPUT_FORMAT'],
    ['other columns', () => file('t,M\n0,1\n1,2\n2,3\n'), 65, 'INPUT_NO_COLUMN'],
    ['a name without a kind', () => file('x', 'a.bin'), 65, 'INPUT_NO_COLUMN'],
    ['garbage that is called a recording', () => file('garbage', 'a.mcap'), 65, 'INPUT_NO_COLUMN'],
    ['UTF-16 without rows', () => file(Buffer.from('\uFEFFtime_s,torque_Nm\n', 'utf16le')), 65, 'INPUT_FORMAT'],
    ['a line of 10 MB', () => file(`time_s,torque_Nm\n0,${'1'.repeat(10_000_000)}\n`), 65, 'INPUT_BAD_ROW'],
  ])('%s has its code and exit code', async (_what, make, exit, code) => {
    const { exitCode, stdout, stderr } = await inProcess('replay', make(), '--mode', 'peak', '--capacity', '60', '--json');
    expect({ exitCode, stdout }).toEqual({ exitCode: exit, stdout: '' });
    expect(stderr.split(' ')[0]).toBe(code);
    expect(stderr.trimEnd().split('\n')).toHaveLength(1);
  });

  it('a trace without --capacity, or with a low-pass that its rate cannot carry, is refused', async () => {
    const path = file(csvText(pull, 1_000));
    expect(await inProcess('replay', path, '--mode', 'peak', '--json')).toMatchObject({ exitCode: 64, stdout: '', stderr: expect.stringMatching(/^USAGE .*--capacity/) as string });
    expect(await inProcess('replay', path, '--mode', 'peak', '--capacity', '60', '--cutoff', '900', '--json')).toMatchObject({ exitCode: 78, stdout: '', stderr: expect.stringMatching(/^RATE_TOO_LOW /) as string });
  });
});
