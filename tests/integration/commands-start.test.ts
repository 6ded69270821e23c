import { existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import type { AddressInfo } from 'node:net';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it, onTestFinished } from 'vitest';
import { openStore } from '../../daemon/storage/open-store.ts';
import { Reading } from '../../shared/reading.ts';
import { inProcess, startTorsiond, torsiond, type RunningCommand } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const PAGE = /The page is at (http:\/\/127\.0\.0\.1:\d+)\/? - stop with Ctrl-C\./;

async function startedAt(command: RunningCommand): Promise<string> {
  await waitUntil(() => PAGE.test(command.stdout()) || command.process.exitCode !== null, 'the line that says where the page is');
  const url = PAGE.exec(command.stdout())?.[1];
  if (url === undefined) throw new Error(`it ended: ${command.stderr()}`);
  return url;
}

const lines = (text: string): Record<string, unknown>[] => text.split('\n').filter((line) => line !== '').map((line) => JSON.parse(line) as Record<string, unknown>);

describe('torsiond start', () => {
  it('with the demonstration takes readings, which can be exported, checked and derived again while it runs, and stops cleanly', async () => {
    const data = tempFolder();
    const command = startTorsiond(['start', '--demo', '--data', data, '--port', '0', '--log-level', 'warn']);
    const url = await startedAt(command);
    expect(command.stdout().trimEnd().split('\n')).toHaveLength(1);
    expect((await fetch(`${url}/healthz`)).status).toBe(200);

    const exported = async (): Promise<Record<string, unknown>[]> => lines((await inProcess('export', '--format', 'ndjson', '--data', data)).stdout);
    await waitUntil(async () => (await exported()).length >= 2, 'two stored readings');
    const readings = (await exported()).map((object) => Reading.parse(object));
    expect(readings.map((reading) => reading.seq)).toEqual(readings.map((_, i) => i + 1));
    expect(readings.every((reading) => reading.flags.includes('simulated') && reading.source === null)).toBe(true);

    const csv = await inProcess('export', '--format', 'csv', '--data', data, '--out', join(data, 'out.csv'));
    expect(csv).toMatchObject({ exitCode: 0, stdout: '', stderr: expect.stringMatching(/readings in .*out\.csv\n$/) as string });
    const rows = readFileSync(join(data, 'out.csv'), 'utf8').split('\r\n');
    const columns = rows[0]!.split(',');
    expect(rows[1]!.split(',')[columns.indexOf('value')]).toBe(String(readings[0]!.value));
    expect(readdirSync(data).filter((name) => name.endsWith('.part'))).toEqual([]);

    const audit = await inProcess('audit', '--data', data, '--json');
    expect(audit.exitCode).toBe(0);
    expect(lines(audit.stdout)[0]).toMatchObject({ type: 'audit', faults: [], records: expect.any(Number) as number });
    const again = await inProcess('recheck', ...readings.slice(0, 2).map((reading) => reading.id), '--data', data, '--json');
    expect(again).toMatchObject({ exitCode: 0, stderr: '' });
    expect(lines(again.stdout).map((object) => object.identical)).toEqual([true, true]);
    const whatIf = await inProcess('recheck', readings[0]!.id, '--mode', 'peak', '--cutoff', '50', '--data', data, '--json');
    expect(lines(whatIf.stdout)[0]).toMatchObject({ type: 'what-if', mode: 'peak', filter: { kind: 'butterworth', order: 2, cutoffHz: 50 }, stored: { value: readings[0]!.value } });
    expect(lines(whatIf.stdout)[0]).toHaveProperty('verdict');
    // The pull of a click wrench never stands still: track would have taken nothing of it, and nothing is made up.
    const track = await inProcess('recheck', readings[0]!.id, '--mode', 'track', '--data', data, '--json');
    expect(lines(track.stdout)[0]).toMatchObject({ type: 'what-if', mode: 'track', value: null, maximum: null, verdict: null });
    expect((await inProcess('recheck', readings[0]!.id, '--mode', 'track', '--data', data)).stdout).toMatch(/; track: no reading, the torque never stood still for 1 s\n$/);
    expect(await inProcess('recheck', 'nonsense', '--data', data)).toMatchObject({ exitCode: 66, stderr: expect.stringMatching(/^READING_UNKNOWN /) as string });
    const { token } = JSON.parse((await inProcess('token', 'create', '--scope', 'read', '--data', data, '--json')).stdout) as { token: string };
    expect((await inProcess('diagnose', '--data', data, '--url', url)).stdout).toMatch(/== running gateway\nhttp:\/\/127[^\n]*\n\/healthz 200[^]*\/api\/v1\/instruments, [^\n]*\/metrics: a token is needed; set TORSIOND_TOKEN/);
    const diagnosed = await startTorsiond(['diagnose', '--data', data, '--url', url], { TORSIOND_TOKEN: token }).finished;
    expect(diagnosed.stdout).toMatch(/\/metrics 200\n[^]*torsiond_samples_total\{channel="bench-a\/1"\} \d+/);
    expect(diagnosed.stdout).toMatch(/\/api\/v1\/instruments 200\n\{"id":"bench-a",[^\n]*"state":"streaming"/);
    expect(diagnosed.stdout).toMatch(new RegExp(`\\nin use by process ${command.process.pid}, started 20`));
    expect(diagnosed.stdout).not.toContain(token);

    // A second daemon on the same data names the first and leaves it alone.
    const second = await torsiond('start', '--data', data, '--port', '0');
    expect(second).toMatchObject({ exitCode: 75, stdout: '' });
    expect(second.stderr.trimEnd().split('\n')).toHaveLength(1);
    expect(second.stderr).toMatch(new RegExp(`^STORE_IN_USE process ${command.process.pid}, started `));

    command.process.kill('SIGINT');
    const finished = await command.finished;
    expect(finished).toMatchObject({ exitCode: 0, signal: null });
    expect((await inProcess('audit', '--data', data)).exitCode).toBe(0);

    // Somebody betters a value in the file: the chain and the trace both tell.
    const database = new Database(join(data, 'torsiond.db'));
    const { sql } = database.prepare("SELECT sql FROM sqlite_master WHERE name = 'readings_keep'").get() as { sql: string };
    database.exec('DROP TRIGGER readings_keep');
    database.prepare("UPDATE readings SET reading = json_set(reading, '$.value', 50.5) WHERE seq = 1").run();
    database.exec(sql);
    database.close();
    const audited = await inProcess('audit', '--data', data);
    expect(audited).toMatchObject({ exitCode: 65, stdout: '', stderr: expect.stringMatching(/record 1: [^\n]*\nSTORE_CHAIN /) as string });
    const rechecked = await inProcess('recheck', '--all', '--data', data, '--json');
    expect(rechecked).toMatchObject({ exitCode: 65, stderr: expect.stringMatching(/^STORE_CHAIN 1 of \d+ readings /) as string });
    expect(lines(rechecked.stdout)[0]).toMatchObject({ seq: 1, identical: false, differences: [{ field: 'value', stored: 50.5, derived: readings[0]!.value }] });
    expect(lines(rechecked.stdout).slice(1).every((object) => object.identical === true)).toBe(true);
  });

  it('with the demonstration alone uses a data directory of its own and removes it', async () => {
    const tmp = tempFolder();
    const command = startTorsiond(['start', '--demo', '--port', '0', '--log-level', 'warn'], { TMPDIR: tmp });
    await startedAt(command);
    expect(readdirSync(tmp).some((name) => name.startsWith('torsiond-demo-'))).toBe(true);
    command.process.kill('SIGTERM');
    expect(await command.finished).toMatchObject({ exitCode: 0 });
    expect(readdirSync(tmp)).toEqual([]);
  });

  it('waits for instruments that are not there, and takes settings from the data directory', async () => {
    const data = tempFolder();
    writeFileSync(join(data, 'torsiond.yaml'), 'server: { port: 0 }\ninstruments:\n  - id: bench-a\n    link: { kind: serial, path: /dev/nonexistent }\n    driver: { id: ascii-lines }\n    channels: [{ transducer: { serialNumber: HF-T-0001, capacity: 60 }, capture: { mode: peak } }]\n');
    const command = startTorsiond(['start', '--data', data]);
    await startedAt(command);
    await waitUntil(() => command.stderr().includes('"state":"absent"'), 'the instrument to be absent');
    command.process.kill('SIGTERM');
    expect((await command.finished).exitCode).toBe(0);
  });

  it('refuses settings with a fault, with the line, and starts nothing', async () => {
    const data = tempFolder();
    const config = join(data, 's.yaml');
    writeFileSync(config, 'station: Hollin & Fenn\nserver: { prot: 1 }\n');
    const { exitCode, stdout, stderr } = await torsiond('start', '--config', config, '--data', data);
    expect({ exitCode, stdout }).toEqual({ exitCode: 78, stdout: '' });
    expect(stderr).toMatch(/^SETTINGS_INVALID server\.prot: is not a setting here; did you mean "port"\? .* \(.*s\.yaml:2:11\)\. .*\n$/);
    expect(existsSync(join(data, 'torsiond.db'))).toBe(false);
  });

  it('names an address that is taken', async () => {
    const server = createServer();
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    onTestFinished(() => void server.close());
    const { exitCode, stderr } = await torsiond('start', '--data', tempFolder(), '--port', String((server.address() as AddressInfo).port));
    expect(exitCode).toBe(69);
    expect(stderr).toMatch(/^SERVER_ADDRESS .*EADDRINUSE.*\n$/);
  });

  it('refuses a database of a newer version and leaves it as it is', async () => {
    const data = tempFolder();
    await (await openStore(data)).close();
    const database = new Database(join(data, 'torsiond.db'));
    database.pragma('user_version = 9999');
    database.close();
    for (const args of [['start', '--port', '0'], ['audit'], ['export', '--format', 'csv']]) {
      const { exitCode, stdout, stderr } = await torsiond(...args, '--data', data);
      expect({ exitCode, stdout }).toEqual({ exitCode: 74, stdout: '' });
      expect(stderr).toMatch(/^STORE_NEWER [^\n]*9999[^\n]*\n$/);
    }
    const again = new Database(join(data, 'torsiond.db'), { readonly: true });
    expect(again.pragma('user_version', { simple: true })).toBe(9999);
    again.close();
  });
});
