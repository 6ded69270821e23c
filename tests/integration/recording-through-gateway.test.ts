/** Recording while the gateway captures: the command, several at once, an instrument that is unplugged, clients that do not read. */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { connect } from 'node:net';
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { startDaemon, type RunningDaemon } from '../../daemon/app.ts';
import { scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import { readGatewayNote } from '../../daemon/gateway-note.ts';
import { createLog } from '../../daemon/log.ts';
import { readRecording, type RecordingItem } from '../../daemon/recording/recording-reader.ts';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { startScenario, type RunningScenario } from '../../simulator/index.ts';
import { parseScenario } from '../../simulator/scenarios/load.ts';
import { inProcess, startTorsiond, torsiond, type RunningCommand } from '../helpers/run-torsiond.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const SCENARIO = `
title: A place of Hollin & Fenn (invented)
seed: 3
instruments:
  - id: wrench
    title: Click wrench place
    port: tcp
    sampleRateHz: 500
    format: { columns: [channel-1], decimals: 3 }
    channels:
      - title: Crank bolt wrench, 50 N·m
        transducer: { serialNumber: HF-T60-0017, capacityNm: 60, bits: 18 }
        tool: { kind: click-wrench, setNm: 50 }
        firstPullS: 0.8
        pauseS: [0.3, 0.5]
        suggested: { mode: first-peak, target: 50, low: 48, high: 52 }
`;

interface Bench {
  readonly daemon: RunningDaemon;
  readonly scenario: RunningScenario;
  readonly data: string;
  readonly out: (name: string) => string;
  readonly token: string;
  counter(name: string): Promise<number>;
  /** Starts `torsiond record` and resolves when bytes are in its file. */
  record(name: string, ...more: string[]): Promise<RunningCommand>;
}

async function bench(): Promise<Bench> {
  const data = tempFolder();
  const out = tempFolder();
  const scenario = await startScenario(parseScenario(SCENARIO, 'test.yaml'));
  onTestFinished(() => scenario.stop());
  const settings = Settings.parse({ ...scenarioSettingsInput(scenario), server: { port: 0 } });
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const daemon = await startDaemon({ settings, dataDirectory: data, log, random: seeded(1) });
  onTestFinished(() => daemon.close());
  const { token } = openTokenStore(data).create('read', 'test');
  const path = (name: string): string => join(out, `${name}.mcap`);
  const counter = async (name: string): Promise<number> => {
    const text = await (await fetch(`${daemon.url}metrics`, { headers: { authorization: `Bearer ${token}` } })).text();
    return Number(text.split('\n').find((line) => line.startsWith(`${name} `))?.split(' ')[1] ?? Number.NaN);
  };
  // What is recorded from here on begins in the midst of the first connection.
  await waitUntil(async () => (await counter('torsiond_samples_total{channel="wrench/1"}')) > 0, 'samples');
  return {
    daemon, scenario, data, token, out: path, counter,
    record: async (name, ...more) => {
      const command = startTorsiond(['record', '--data', data, '--channel', 'wrench/1', '--out', path(name), ...more]);
      await waitUntil(() => command.process.exitCode !== null || (existsSync(path(name)) && readFileSync(path(name)).length > 3_000), 'the recording to grow');
      return command;
    },
  };
}

async function items(path: string): Promise<RecordingItem[]> {
  const all: RecordingItem[] = [];
  for await (const item of readRecording(path)) all.push(item);
  return all;
}

const linesOf = (all: readonly RecordingItem[]): string => all.flatMap((item) => (item.kind === 'chunk' ? [Buffer.from(item.chunk.data).toString()] : [])).join('');
type Fields = Record<string, unknown> & { value: number; epoch: number };
const readingsOf = (text: string): Fields[] => text.split('\n').filter((line) => line.includes('"reading"')).map((line) => JSON.parse(line) as Fields);
const stopped = async (command: RunningCommand): Promise<void> => {
  command.process.kill('SIGINT');
  expect(await command.finished).toMatchObject({ exitCode: 0, stdout: '' });
};

describe('torsiond record beside a running gateway', () => {
  it('records while it captures, two at once, over an unplugging; the readings of the replay are those that were stored', async () => {
    const { scenario, data, out, record, counter } = await bench();
    const first = await record('first');
    expect(first.stderr()).toMatch(/^Recording wrench through the gateway at http:\/\/127\.0\.0\.1:\d+\/ to .*first\.mcap; stop with Ctrl-C\.\n/);
    const second = await record('second');
    expect(await counter('torsiond_recordings')).toBe(2);
    const stored = async (): Promise<Fields[]> => readingsOf((await inProcess('export', '--format', 'ndjson', '--data', data)).stdout);
    // Also when the recordings were slow to begin: one pull may have been under way, the next is in them whole.
    const before = (await stored()).length;
    await waitUntil(async () => (await stored()).length >= before + 2, 'two stored readings');
    await stopped(second);
    await waitUntil(async () => (await counter('torsiond_recordings')) === 1, 'the second recording to be over');

    await scenario.unplug('wrench');
    await waitUntil(async () => (await items(out('first'))).some((item) => item.kind === 'mark'), 'the loss in the file');
    await scenario.replug('wrench');
    // The bytes of the first of them are in the file when the second is there; those of the last may still be on their way.
    await waitUntil(async () => (await stored()).filter((reading) => reading.epoch === 2).length >= 2, 'two readings of the new connection');
    await stopped(first);

    const all = await items(out('first'));
    expect(all.some((item) => item.kind === 'cut')).toBe(false);
    expect(all.flatMap((item) => (item.kind === 'connection' ? [[item.connection.epoch, item.connection.isJoined]] : []))).toEqual([[1, true], [2, false]]);
    expect(all.filter((item) => item.kind === 'mark').map((item) => item.mark)).toContainEqual({ kind: 'gap', instrument: 'wrench', reason: 'lost' });
    // Both heard the same; the second began later and ended sooner.
    const short = await items(out('second'));
    expect(linesOf(all)).toContain(linesOf(short));
    expect(linesOf(short).length).toBeGreaterThan(3_000);

    const values = await stored();
    const replay = await torsiond('replay', out('first'), '--json');
    expect(replay).toMatchObject({ exitCode: 0, stderr: '' });
    const again = readingsOf(replay.stdout);
    expect(again.length).toBeGreaterThanOrEqual(2);
    // One of a cycle that was under way when the recording began or ended is on one side only; all others are the same bit for bit.
    const fieldsOf = ({ id: _id, seq: _seq, source: _source, traceId: _traceId, storedAt: _storedAt, hash: _hash, ...fields }: Record<string, unknown>): unknown => fields;
    for (const reading of again) expect(values.map(fieldsOf)).toContainEqual(fieldsOf(reading));
    // Some of them are of the connection that the recording joined.
    expect(again.filter((reading) => reading.epoch === 1)).not.toEqual([]);
    expect(again.filter((reading) => reading.epoch === 2)).not.toEqual([]);
  });

  it('makes a token for itself and takes it back, also one that a killed recording left; or uses the one it is given', async () => {
    const { data, out, token, record, daemon } = await bench();
    const labels = (): string[] => openTokenStore(data).list().map((record_) => record_.label);
    const killed = await record('killed');
    killed.process.kill('SIGKILL');
    await killed.finished;
    expect(labels()).toEqual(['test', `torsiond record, process ${killed.process.pid}`]);
    const next = await record('next');
    expect(labels()).toEqual(['test', `torsiond record, process ${next.process.pid}`]);
    await stopped(next);
    expect(labels()).toEqual(['test']);
    // What the killed one wrote is whole records, and says that it does not end properly.
    const cut = await items(out('killed'));
    expect(cut.at(-1)).toMatchObject({ kind: 'cut', error: { code: 'INPUT_CUT' } });
    expect(cut.filter((item) => item.kind === 'chunk').length).toBeGreaterThan(10);

    const wrong = await startTorsiond(['record', '--data', data, '--channel', 'wrench', '--out', out('wrong'), '--token-env', 'BENCH_TOKEN'], { BENCH_TOKEN: 'nonsense' }).finished;
    expect(wrong).toMatchObject({ exitCode: 77, stderr: expect.stringMatching(/^ACCESS_TOKEN /) as string });
    const given = await startTorsiond(['record', '--data', data, '--channel', 'wrench', '--out', out('given'), '--seconds', '1'], { TORSIOND_TOKEN: token }).finished;
    expect(given).toMatchObject({ exitCode: 0, stderr: expect.stringMatching(/given\.mcap: \d+ chunks, \d+ bytes\n$/) as string });
    expect(existsSync(out('wrong'))).toBe(false);

    // A token that is revoked in the midst ends the recording.
    const revoked = openTokenStore(data).create('read', 'to be revoked');
    const running = startTorsiond(['record', '--data', data, '--channel', 'wrench', '--out', out('revoked')], { TORSIOND_TOKEN: revoked.token });
    await waitUntil(() => running.stderr().includes('Recording wrench'), 'the recording to begin');
    openTokenStore(data).revoke(revoked.record.id);
    expect(await running.finished).toMatchObject({ exitCode: 69, stderr: expect.stringMatching(/\nCLIENT_DISCONNECTED /) as string });
    expect(daemon.port).toBeGreaterThan(0);
  });

  it('ends properly when the gateway stops, which then leaves no note', async () => {
    const { daemon, data, out, record } = await bench();
    const command = await record('a', '--with-torque');
    await waitUntil(() => readFileSync(out('a')).includes('{"torque":'), 'torque in the file');
    expect(readGatewayNote(data)).toMatchObject({ url: daemon.url, pid: process.pid });
    await daemon.close();
    expect(await command.finished).toMatchObject({ exitCode: 0, stderr: expect.stringContaining('The gateway stopped; the recording is complete.') as string });
    const all = await items(out('a'));
    expect(all.at(-1)).toMatchObject({ kind: 'mark', mark: { kind: 'gap', reason: 'stopped' } });
    expect(readGatewayNote(data)).toBeNull();
    expect(readdirSync(data)).not.toContain('torsiond.gateway.json');
  });

  it('of an instrument that is away says why nothing came, and leaves no file', async () => {
    const { scenario, daemon, data, out, token } = await bench();
    await scenario.unplug('wrench');
    await waitUntil(async () => (await (await fetch(`${daemon.url}api/v1/instruments`, { headers: { authorization: `Bearer ${token}` } })).text()).includes('LINK_REFUSED'), 'the loss to be told');
    const { exitCode, stderr } = await inProcess('record', '--data', data, '--channel', 'wrench/1', '--out', out('none'), '--seconds', '1');
    expect(exitCode).toBe(69);
    expect(stderr).toMatch(/\nLINK_REFUSED not one byte came, so there is no recording: no connection: .* \(wrench\)\. Nothing listens at that address\./);
    expect(existsSync(out('none'))).toBe(false);
  });

  it('refuses a channel that the gateway does not have, and a file that exists', async () => {
    const { data, out, record } = await bench();
    const unknown = await inProcess('record', '--data', data, '--channel', 'dial/1', '--out', out('a'));
    expect(unknown).toMatchObject({ exitCode: 64, stderr: expect.stringMatching(/^CHANNEL_UNKNOWN .*"dial\/1"/) as string });
    const first = await record('a');
    await stopped(first);
    const before = readFileSync(out('a'));
    const again = await inProcess('record', '--data', data, '--channel', 'wrench/1', '--out', out('a'));
    expect(again).toMatchObject({ exitCode: 74, stderr: expect.stringMatching(/^OUTPUT_FAILED the file exists already/) as string });
    expect(readFileSync(out('a')).equals(before)).toBe(true);
  });
});

describe('the address of recordings', () => {
  it('asks for a token, answers HEAD with nothing, and names the instruments that exist', async () => {
    const { daemon, token, counter } = await bench();
    const url = `${daemon.url}api/v1/instruments/wrench/recording`;
    const headers = { authorization: `Bearer ${token}` };
    expect((await fetch(url)).status).toBe(401);
    expect((await fetch(url, { method: 'HEAD', headers })).status).toBe(404);
    const unknown = await fetch(`${daemon.url}api/v1/instruments/dial/recording`, { headers });
    expect([unknown.status, await unknown.json()]).toEqual([404, expect.objectContaining({ code: 'CHANNEL_UNKNOWN', message: expect.stringContaining('known are wrench') as string })]);
    expect((await fetch(`${daemon.url}api/v1/instruments/wrench%2F..%2F..%2Fx/recording`, { headers })).status).toBe(404);
    expect(await counter('torsiond_recordings_total')).toBe(0);
  });

  it('lets go of a client that leaves or vanishes', async () => {
    const { daemon, token, counter } = await bench();
    const leave = new AbortController();
    const response = await fetch(`${daemon.url}api/v1/instruments/wrench/recording`, { headers: { authorization: `Bearer ${token}` }, signal: leave.signal });
    expect(response.headers.get('content-type')).toBe('application/octet-stream');
    await response.body!.getReader().read();
    expect(await counter('torsiond_recordings')).toBe(1);
    leave.abort();
    const socket = connect(daemon.port, '127.0.0.1');
    socket.write(`GET /api/v1/instruments/wrench/recording HTTP/1.1\r\nHost: 127.0.0.1:${daemon.port}\r\nAuthorization: Bearer ${token}\r\n\r\n`);
    await waitUntil(async () => (await counter('torsiond_recordings_total')) === 2, 'the second recording');
    socket.resetAndDestroy();
    await waitUntil(async () => (await counter('torsiond_recordings')) === 0, 'both to be over');
    expect(await counter('torsiond_recordings_cut_total')).toBe(0);
  });
});
