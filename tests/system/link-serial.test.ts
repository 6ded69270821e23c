/** Serial ports that are busy, forbidden, no ports at all, or whose device takes nothing. */
import { execFileSync, spawn, type ChildProcess } from 'node:child_process';
import { chmodSync, lchownSync, mkdtempSync, readdirSync, realpathSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import type { ByteLink } from '../../drivers/links/link.ts';
import type { SerialLinkOptions } from '../../drivers/links/serial-options.ts';
import { openSerialLink } from '../../drivers/links/serial-link.ts';
import { systemClock, type Clock } from '../../shared/clock.ts';
import { openPtyPort, type PtyPort } from '../../simulator/ports/pty-port.ts';
import { serialOptions } from '../helpers/serial-options.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const context = (clock: Clock = systemClock): { clock: Clock; signal: AbortSignal } => ({ clock, signal: new AbortController().signal });
const open = (path: string, changes: Partial<SerialLinkOptions> = {}, clock?: Clock): Promise<ByteLink> => openSerialLink(serialOptions(path, changes), context(clock));
const left: (() => unknown)[] = [];
afterEach(async () => {
  for (const undo of left.splice(0).reverse()) await undo();
});

async function port(): Promise<PtyPort> {
  const made = await openPtyPort();
  left.push(() => made.close());
  return made;
}

/** Time that runs a hundred times as fast. */
const hastyClock: Clock = {
  monoMs: () => systemClock.monoMs() * 100,
  wallMs: () => systemClock.wallMs(),
  after: (delayMs, callback) => systemClock.after(delayMs / 100, callback),
};

/** Runs a script in another process, as another user where that is possible. @returns what it prints, and itself */
function otherProcess(script: string, asNobody = false): { child: ChildProcess; said: () => string } {
  const child = spawn(process.execPath, ['--input-type=module', '-e', script], {
    stdio: ['pipe', 'pipe', 'inherit'], cwd: process.cwd(), ...(asNobody ? { uid: 65_534, gid: 65_534 } : {}),
  });
  let text = '';
  child.stdout.on('data', (data: Buffer) => { text += data.toString(); });
  left.push(() => new Promise((resolve) => {
    if (child.exitCode !== null || child.signalCode !== null) return resolve(null);
    child.once('exit', resolve);
    child.kill('SIGKILL');
  }));
  return { child, said: () => text };
}

describe('a port', () => {
  it('that another process holds is LINK_BUSY and names it, without touching the port', async () => {
    const { address } = await port();
    const holder = otherProcess(`
      const { SerialPort } = await import('serialport');
      const port = new SerialPort({ path: ${JSON.stringify(address.path)}, baudRate: 9600 });
      port.on('open', () => console.log('open'));
      setInterval(() => {}, 1_000); // an open port alone keeps no process alive
    `);
    await waitUntil(() => holder.said().includes('open'), 'the other process to open the port');
    const settings = (): string => execFileSync('stty', ['-F', address.path, '-a']).toString();
    const before = settings();
    const refused = await open(address.path, { parity: 'even', stopBits: 2, rtscts: true }).then(() => null, (error: unknown) => error);
    expect(refused).toMatchObject({ code: 'LINK_BUSY', where: address.path });
    if (process.platform !== 'linux') return;
    expect(String((refused as Error).message)).toContain(`process ${holder.child.pid}`);
    // The binding alone would have put our settings on the other's open port before it noticed the lock.
    expect(settings()).toBe(before);
  });

  it('without permission is LINK_PERMISSION with owner, mode, own groups and the way out', async () => {
    const { address } = await port();
    const node = realpathSync(address.path);
    chmodSync(node, 0o600);
    const isRoot = process.getuid!() === 0;
    if (!isRoot) chmodSync(node, 0o000);
    const folder = join(address.path, '..');
    if (isRoot) {
      chmodSync(folder, 0o755);
      lchownSync(address.path, 0, 0);
    }
    const tried = otherProcess(`
      const { openSerialLink } = await import(${JSON.stringify(new URL('../../drivers/links/serial-link.ts', import.meta.url).pathname)});
      const clock = { monoMs: () => 0, wallMs: () => 0, after: () => () => {} };
      const options = ${JSON.stringify(serialOptions(address.path))};
      await openSerialLink(options, { clock, signal: new AbortController().signal }).then(() => console.log('opened'), (error) => console.log(error.toLine()));
      process.exit();
    `, isRoot);
    await waitUntil(() => tried.said().includes('\n'), 'the other process to try');
    expect(tried.said()).toMatch(/^LINK_PERMISSION no permission to open the port: c[-rw]+ owner \S+ group \S+; this process is in \S+/);
    expect(tried.said()).toContain('usermod -aG');
  });

  it('that is a file, a folder or /dev/null is LINK_NOT_A_PORT', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'torsiond-file-'));
    left.push(() => rmSync(folder, { recursive: true }));
    writeFileSync(join(folder, 'file'), '');
    for (const path of [join(folder, 'file'), folder, '/dev/null']) {
      await expect(open(path)).rejects.toMatchObject({ code: 'LINK_NOT_A_PORT', where: path });
    }
    await expect(open(join(folder, 'none'))).rejects.toMatchObject({ code: 'LINK_NOT_FOUND' });
    await expect(open(join(folder, 'file', 'below'))).rejects.toMatchObject({ code: 'LINK_NOT_FOUND' });
  });

  it('without modem lines, as a pseudo terminal, opens although DTR and RTS are set', async () => {
    const { address } = await port();
    const link = await open(address.path, { dtr: true, rts: false });
    await link.close();
    expect(await link.ended).toEqual({ reason: 'closed' });
  });

  it('takes the usual baud rates, data bits, parity and stop bits', async () => {
    const { address } = await port();
    for (const changes of [{ baudRate: 9_600, dataBits: 7, parity: 'even' }, { baudRate: 250_000, stopBits: 2 }, { baudRate: 921_600, parity: 'odd', xon: true }] as const) {
      await (await open(address.path, changes)).close();
    }
  });

  it('keeps its lock while it is read, and no descriptor when it is closed', async () => {
    const { address } = await port();
    const count = (): number => readdirSync('/proc/self/fd').length;
    await (await open(address.path)).close();
    const before = count();
    for (let i = 0; i < 20; i++) {
      const link = await open(address.path);
      link.listen(() => {});
      await link.close();
    }
    expect(count()).toBeLessThanOrEqual(before);
  });
});

describe('closing', () => {
  it('lets what was written reach a device that is slow to read', async () => {
    const slow = await port();
    const heard: Buffer[] = [];
    slow.onData((bytes) => heard.push(Buffer.from(bytes)));
    const link = await open(slow.address.path);
    await link.write(Buffer.from('<'));
    await waitUntil(() => heard.length > 0, 'the device to hear the link');
    process.kill(slow.helperPid!, 'SIGSTOP');
    await link.write(Buffer.from('STOP>'));
    await link.close();
    process.kill(slow.helperPid!, 'SIGCONT');
    await waitUntil(() => Buffer.concat(heard).toString() === '<STOP>', 'the last command');
  });
});

describe('a device that takes nothing', () => {
  it('makes a write end with LINK_WRITE_TIMEOUT; the link stays, and what waited is gone', async () => {
    const stuck = await port();
    const link = await open(stuck.address.path, {}, hastyClock);
    left.push(() => link.close());
    process.kill(stuck.helperPid!, 'SIGSTOP');
    const first = link.write(Buffer.alloc(200_000, 'A'));
    const second = link.write(Buffer.from('B'));
    await expect(first).rejects.toMatchObject({ code: 'LINK_WRITE_TIMEOUT' });
    await expect(second).rejects.toMatchObject({ code: 'LINK_WRITE_TIMEOUT' });
    const heard: Buffer[] = [];
    stuck.onData((bytes) => heard.push(Buffer.from(bytes)));
    process.kill(stuck.helperPid!, 'SIGCONT');
    await waitUntil(() => heard.length > 0, 'the device to read again');
    await link.write(Buffer.from('C'));
    await waitUntil(() => Buffer.concat(heard).includes('C'), 'the next write');
    expect(Buffer.concat(heard).includes('B')).toBe(false);
    expect(Buffer.concat(heard).length).toBeLessThan(200_000);
  });

  it('and is unplugged: the write fails, and the next device hears none of it', async () => {
    const stuck = await port();
    const link = await open(stuck.address.path);
    process.kill(stuck.helperPid!, 'SIGSTOP');
    const stale = expect(link.write(Buffer.alloc(200_000, 'A'))).rejects.toMatchObject({ code: expect.stringMatching(/^LINK_(LOST|CLOSED)$/) as string });
    await stuck.unplug();
    await stale;
    await link.close();
    await stuck.replug();
    const heard: Buffer[] = [];
    stuck.onData((bytes) => heard.push(Buffer.from(bytes)));
    const next = await open(stuck.address.path);
    left.push(() => next.close());
    await next.write(Buffer.from('hello'));
    await waitUntil(() => Buffer.concat(heard).length >= 5, 'the new device to hear');
    expect(Buffer.concat(heard).toString()).toBe('hello');
  });

  it('does not make closing wait', async () => {
    const stuck = await port();
    const link = await open(stuck.address.path);
    process.kill(stuck.helperPid!, 'SIGSTOP');
    const stale = link.write(Buffer.alloc(200_000, 'A')).catch((error: { code: string }) => error.code);
    await link.close();
    expect(await stale).toBe('LINK_CLOSED');
    const again = await open(stuck.address.path);
    await again.close();
  });
});

describe('back-pressure', () => {
  it('holds the device back instead of filling memory, and nothing is lost', async () => {
    const fast = await port();
    const link = await open(fast.address.path);
    left.push(() => link.close());
    const before = fast.counters.receivedBytes;
    await link.write(Buffer.from('?'));
    await waitUntil(() => fast.counters.receivedBytes > before, 'the port to notice that it is open');
    let got = 0;
    let sum = 0;
    link.listen(({ data }) => {
      got += data.length;
      for (const byte of data) sum = (sum * 31 + byte) >>> 0;
    });
    link.pause!();
    // More than the terminal, the pipe and the helper hold together, so that some must stay with the sender.
    const block = Uint8Array.from({ length: 200_000 }, (_, i) => i & 0xff);
    fast.write(block);
    await waitUntil(() => fast.backlogBytes > 0, 'the sender to wait');
    expect(got).toBe(0);
    link.resume!();
    await waitUntil(() => got === block.length, 'all bytes');
    expect(sum).toBe(block.reduce((hash, byte) => (hash * 31 + byte) >>> 0, 0));
  });
});
