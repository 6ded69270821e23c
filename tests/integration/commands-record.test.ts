import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { createServer, type AddressInfo, type Server } from 'node:net';
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { readRecording } from '../../daemon/recording/recording-reader.ts';
import { inProcess, startTorsiond } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** An instrument on TCP that sends numbered lines to whoever connects. */
async function instrument(lines: number): Promise<{ port: number; sent: () => string; hangUp: () => void }> {
  let sent = '';
  let hangUp = (): void => {};
  const server: Server = createServer((socket) => {
    socket.on('error', () => {});
    hangUp = () => socket.destroy();
    let n = 0;
    const timer = setInterval(() => {
      if (n >= lines) return;
      const line = `${n++}.5\n`;
      sent += line;
      socket.write(line);
    }, 10);
    socket.on('close', () => clearInterval(timer));
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  onTestFinished(() => {
    hangUp();
    server.close();
  });
  return { port: (server.address() as AddressInfo).port, sent: () => sent, hangUp: () => hangUp() };
}

function settings(folder: string, port: number): string {
  const file = join(folder, 's.yaml');
  writeFileSync(file, `instruments:
  - id: bench-a
    link: { kind: tcp, host: 127.0.0.1, port: ${port} }
    driver: { id: ascii-lines }
    channels: [{ sampleRateHz: 100, transducer: { serialNumber: HF-T-0001, capacity: 60 }, capture: { mode: peak } }]
`);
  return file;
}

async function recordedText(path: string): Promise<string> {
  let text = '';
  for await (const item of readRecording(path)) {
    if (item.kind === 'chunk') text += Buffer.from(item.chunk.data).toString();
    if (item.kind === 'cut') throw item.error;
  }
  return text;
}

describe('torsiond record', () => {
  it.each(['SIGINT', 'SIGTERM', 'SIGHUP'] as const)('records the bytes as they come until %s stops it, and closes the file properly', async (signal) => {
    const folder = tempFolder();
    const device = await instrument(150);
    const out = join(folder, 'a.mcap');
    const command = startTorsiond(['record', '--config', settings(folder, device.port), '--channel', 'bench-a/1', '--out', out]);
    await waitUntil(() => command.stderr().includes('Recording bench-a'), 'the recording to begin');
    await waitUntil(() => readFileSync(out).includes('149.5\n'), 'the last line in the file');
    command.process.kill(signal);
    const finished = await command.finished;
    expect(finished).toMatchObject({ exitCode: 0, stdout: '' });
    // What comes while the link settles is not the driver's to see, so the recording may begin some lines later.
    const text = await recordedText(out);
    expect(text.endsWith('148.5\n149.5\n')).toBe(true);
    expect(device.sent().endsWith(text)).toBe(true);
  });

  it('writes torque beside the bytes when it is asked to, which a replay passes over', async () => {
    const folder = tempFolder();
    const device = await instrument(100_000);
    const out = join(folder, 'a.mcap');
    const command = startTorsiond(['record', '--config', settings(folder, device.port), '--channel', 'bench-a', '--out', out, '--with-torque']);
    await waitUntil(() => existsSync(out) && readFileSync(out).includes('{"torque":'), 'torque in the file');
    command.process.kill('SIGINT');
    expect(await command.finished).toMatchObject({ exitCode: 0, stdout: '' });
    const text = await recordedText(out);
    expect(text).not.toContain('torque');
    expect(device.sent()).toContain(text);
  });

  it('killed in the middle leaves a file that says it was cut and gives what was written', async () => {
    const folder = tempFolder();
    const device = await instrument(10_000);
    const out = join(folder, 'a.mcap');
    const command = startTorsiond(['record', '--config', settings(folder, device.port), '--channel', 'bench-a', '--out', out]);
    const read = async (): Promise<{ chunks: number; cut: string | null }> => {
      let chunks = 0;
      let cut: string | null = null;
      for await (const item of readRecording(out)) {
        if (item.kind === 'chunk') chunks++;
        else if (item.kind === 'cut') cut = item.error.code;
      }
      return { chunks, cut };
    };
    await waitUntil(async () => existsSync(out) && (await read().catch(() => ({ chunks: 0 }))).chunks > 20, 'some chunks in the file');
    command.process.kill('SIGKILL');
    await command.finished;
    const { chunks, cut } = await read();
    expect(chunks).toBeGreaterThan(20);
    expect(cut).toBe('INPUT_CUT');
  });

  it('of a port that nothing answers on ends with exit 69 and leaves no file', async () => {
    const folder = tempFolder();
    const out = join(folder, 'a.mcap');
    // Port 9 of this machine: nobody listens there.
    const refused = await inProcess('record', '--config', settings(folder, 9), '--channel', 'bench-a/1', '--out', out);
    expect(refused).toMatchObject({ exitCode: 69, stderr: expect.stringMatching(/^LINK_REFUSED .*127\.0\.0\.1:9/) as string });
    expect(existsSync(out)).toBe(false);
    const serial = join(folder, 'serial.yaml');
    writeFileSync(serial, 'instruments:\n  - id: bench-a\n    link: { kind: serial, path: /dev/nonexistent }\n    driver: { id: ascii-lines }\n    channels: [{ transducer: { serialNumber: HF-T-0001, capacity: 60 }, capture: { mode: peak } }]\n');
    const absent = await inProcess('record', '--config', serial, '--channel', 'bench-a/1', '--out', out);
    expect(absent).toMatchObject({ exitCode: 69, stderr: expect.stringMatching(/^LINK_NOT_FOUND .*\/dev\/nonexistent/) as string });
  });

  it('of an instrument at another computer says that the gateway must run, and leaves no file', async () => {
    const folder = tempFolder();
    const file = join(folder, 's.yaml');
    writeFileSync(file, readFileSync(settings(folder, 1), 'utf8').replace(/link: .*/, 'link: { kind: browser }'));
    const out = join(folder, 'a.mcap');
    const { exitCode, stderr } = await inProcess('record', '--config', file, '--channel', 'bench-a/1', '--out', out);
    expect({ exitCode, isThere: existsSync(out) }).toEqual({ exitCode: 69, isThere: false });
    expect(stderr).toContain('LINK_REFUSED a port at a page is reached through the running gateway only (link.kind). Start the gateway and open its page');
  });

  it('of a channel that is not in the settings names those that are', async () => {
    const folder = tempFolder();
    const result = await inProcess('record', '--config', settings(folder, 9), '--channel', 'bench-b/1', '--out', join(folder, 'a.mcap'));
    expect(result).toMatchObject({ exitCode: 64, stderr: expect.stringMatching(/^CHANNEL_UNKNOWN .*known are bench-a\/1/) as string });
  });
});
