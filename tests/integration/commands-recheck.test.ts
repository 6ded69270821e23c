import { copyFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { CAPTURE_VERSION } from '../../daemon/capture/evidence.ts';
import { rederive } from '../../daemon/capture/rederive.ts';
import { judge } from '../../daemon/pipeline/judge.ts';
import { newRecord } from '../../daemon/storage/records.ts';
import { Writer } from '../../daemon/storage/writer.ts';
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import { FIXTURE_READINGS } from '../fixtures/database-content.ts';
import { madeRecord, madeSamples } from '../helpers/made-trace.ts';
import { inProcess } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';

const OLD = fileURLToPath(new URL('../fixtures/databases/schema-1.db', import.meta.url));

describe('recheck of readings that another version of the capture mathematics made', () => {
  it('says so, derives nothing, and takes it for no difference', async () => {
    const data = tempFolder();
    copyFileSync(OLD, join(data, 'torsiond.db'));
    const json = await inProcess('recheck', '--all', '--data', data, '--json');
    expect(json).toMatchObject({ exitCode: 0, stderr: '' });
    const told = json.stdout.trimEnd().split('\n').map((line) => JSON.parse(line) as object);
    expect(told).toHaveLength(FIXTURE_READINGS);
    for (const one of told) expect(one).toMatchObject({ type: 'recheck', identical: null, captureVersion: 1, presentVersion: CAPTURE_VERSION });
    const text = await inProcess('recheck', '--all', '--data', data);
    expect(text.stdout).toMatch(new RegExp(`: 0 derived; ${FIXTURE_READINGS} made by another version of the capture mathematics, which is no difference\\n$`));
    const whatIf = await inProcess('recheck', '--all', '--mode', 'peak', '--data', data, '--json');
    expect(whatIf.stdout.split('\n')[0]).toContain('"identical":null');
  });
});

describe('recheck of readings that cannot be derived', () => {
  const samples = madeSamples({ seconds: 0.5, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 }, 1);

  /** A store of as many readings, each as its trace gives it; then one is spoilt. */
  function stored(count: number, spoilt: number, spoil: (record: { reading: Reading; trace: Trace }) => { reading: Reading; trace: Trace }): string {
    const data = tempFolder();
    const writer = new Writer(join(data, 'torsiond.db'));
    for (let i = 0; i < count; i++) {
      const { reading, trace } = madeRecord(i, samples);
      const { reading: derived } = judge(rederive(trace), trace, { source: null, idOf: () => reading.id, keepsTrace: true });
      const record = { reading: derived, trace: { ...trace, id: derived.traceId! } };
      const kept = i === spoilt ? spoil(record) : record;
      writer.append([newRecord(kept.reading, kept.trace)], Date.UTC(2026, 10, 25, 9) + i);
    }
    writer.close();
    return data;
  }

  /** As it was stored before there were settings for pulses. */
  function withoutPulse({ reading, trace }: { reading: Reading; trace: Trace }): { reading: Reading; trace: Trace } {
    const { pulse: _later, ...settings } = { ...trace.evidence.settings, mode: 'pulse' as const };
    return { reading: { ...reading, mode: 'pulse' }, trace: { ...trace, evidence: { ...trace.evidence, settings: settings as Trace['evidence']['settings'] } } };
  }

  it('in mode pulse, whose settings were stored before there were any: says so and goes on', async () => {
    const data = stored(3, 1, withoutPulse);
    const text = await inProcess('recheck', 'reading-00000000', 'reading-00000001', 'reading-00000002', '--data', data);
    expect(text.exitCode).toBe(65);
    expect(text.stdout.trimEnd().split('\n')).toEqual([
      'reading-00000000  identical',
      'reading-00000001  not derived: the settings stored with it have no "pulse", which mode pulse needs; they are from before that was a setting',
      'reading-00000002  identical',
    ]);
    expect(text.stderr).toMatch(/^STORE_CHAIN 1 of 3 readings could not be derived at all\. [^\n]+\n$/);
    const json = await inProcess('recheck', '--all', '--data', data, '--json');
    expect(json.exitCode).toBe(65);
    const told = json.stdout.trimEnd().split('\n').map((line) => JSON.parse(line) as Record<string, unknown>);
    expect(told.map(({ identical }) => identical)).toEqual([true, null, true]);
    expect(told[1]).toMatchObject({ type: 'recheck', seq: 2, differences: [], fault: { code: 'CAPTURE_SETTINGS' } });
  });

  it('with what a what-if asks for: says so for those and goes on', async () => {
    const data = stored(3, 0, ({ reading, trace }) => ({ reading, trace: { ...trace, rateHz: 500, spacingMs: 2 } }));
    const { exitCode, stdout, stderr } = await inProcess('recheck', '--all', '--mode', 'pulse', '--data', data);
    expect(exitCode).toBe(78);
    const lines = stdout.trimEnd().split('\n');
    expect(lines).toHaveLength(3);
    expect(lines[0]).toMatch(/^reading-00000000 {2}not derived: .*500/);
    for (const line of lines.slice(1)) expect(line).toMatch(/^reading-0000000[12] {2}stored first-peak .*; pulse /);
    expect(stderr).toMatch(/^CAPTURE_SETTINGS 1 of 3 readings could not have had these settings\. /);
  });

  it('needs no settings of a mode that it does not have', async () => {
    const data = stored(2, 0, ({ reading, trace }) => {
      const { pulse: _later, ...settings } = trace.evidence.settings;
      return { reading, trace: { ...trace, evidence: { ...trace.evidence, settings: settings as Trace['evidence']['settings'] } } };
    });
    expect(await inProcess('recheck', '--all', '--data', data)).toMatchObject({ exitCode: 0, stdout: '2 readings, all identical\n', stderr: '' });
  });
});
