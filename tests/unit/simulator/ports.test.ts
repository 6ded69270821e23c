import { spawn } from 'node:child_process';
import { closeSync, constants, existsSync, mkdtempSync, openSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { connect, type Socket } from 'node:net';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { ReadStream } from 'node:tty';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { TorsiondError } from '../../../shared/errors.ts';
import { openPort } from '../../../simulator/ports/open-port.ts';
import { findPtyProgram } from '../../../simulator/ports/pty-helper.ts';
import { openPtyPort, type PtyPort, type PtyPortOptions } from '../../../simulator/ports/pty-port.ts';
import { openTcpPort, type TcpPort } from '../../../simulator/ports/tcp-port.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

/** False also for a process that ended and was not yet collected by its parent. */
function isAlive(pid: number): boolean {
  try {
    process.kill(pid, 0);
    return readFileSync(`/proc/${pid}/stat`, 'latin1').split(') ')[1]?.[0] !== 'Z';
  } catch {
    return false;
  }
}

/** The host's end of a serial port, opened as a plain terminal. */
class Host {
  readonly stream: ReadStream;
  text = '';
  bytes = 0;
  isOver = false;

  constructor(path: string) {
    this.stream = new ReadStream(openSync(path, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK));
    this.stream.on('data', (data: Buffer) => {
      this.bytes += data.length;
      if (this.text.length < 10_000) this.text += data.toString('latin1');
    });
    for (const end of ['end', 'close', 'error']) this.stream.on(end, () => { this.isOver = true; });
  }

  close(): void {
    this.stream.destroy();
  }
}

describe.each(['python3', 'socat'] as const)('pseudo terminal by %s', (program) => {
  const isThere = findPtyProgram(program) !== null;
  const opened: { close(): unknown }[] = [];
  const open = async (options: PtyPortOptions = {}): Promise<PtyPort> => {
    const port = await openPtyPort({ program, ...options });
    opened.push(port);
    return port;
  };
  const host = (port: PtyPort): Host => {
    const made = new Host(port.address.path);
    opened.push(made);
    return made;
  };
  afterEach(async () => {
    for (const entry of opened.splice(0).reverse()) await entry.close();
  });

  it.skipIf(!isThere)('carries every byte value both ways, unchanged', async () => {
    const port = await open();
    const heard: number[] = [];
    port.onData((bytes) => heard.push(...bytes));
    const there = host(port);
    const all = Uint8Array.from({ length: 256 }, (_, i) => i);
    await waitUntil(() => {
      port.write(Buffer.from('?'));
      return there.bytes > 0;
    }, 'the port to be open');
    there.text = '';
    port.write(Buffer.from('<'));
    port.write(all);
    port.write(Buffer.from('>'));
    await waitUntil(() => there.text.endsWith('\xff>'), 'all bytes at the host');
    expect(there.text.slice(there.text.lastIndexOf('<\x00') + 1, -1)).toBe(Buffer.from(all).toString('latin1'));
    // A plain terminal stream writes through its descriptor.
    writeFileSync(port.address.path, all);
    await waitUntil(() => heard.length >= 256, 'all bytes at the instrument');
    expect(heard).toEqual([...all]);
  });

  it.skipIf(!isThere)('is seen to go when it is unplugged, and comes back under the same path', async () => {
    const port = await open();
    const pid = port.helperPid!;
    const before = host(port);
    await port.unplug();
    expect(port.isPluggedIn).toBe(false);
    expect(existsSync(port.address.path)).toBe(false);
    expect(isAlive(pid)).toBe(false);
    await waitUntil(() => before.isOver, 'the host to see the end');
    port.write(Buffer.from('nobody'));
    expect(port.counters.unheardBytes).toBeGreaterThanOrEqual(6);

    const { path } = port.address;
    await port.replug();
    expect(port.address.path).toBe(path);
    const after = host(port);
    await waitUntil(() => {
      port.write(Buffer.from('again'));
      return after.text.includes('again');
    }, 'bytes after the replug');
  });

  it.skipIf(!isThere)('drops whole writes and counts them when the host does not read', async () => {
    const port = await open({ maxBacklogBytes: 10_000 });
    const fd = openSync(port.address.path, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK);
    try {
      await waitUntil(() => {
        for (let i = 0; i < 200; i++) port.write(new Uint8Array(1_000));
        return port.counters.overrunBytes > 1_000_000;
      }, 'an overrun');
      expect(port.backlogBytes).toBeLessThanOrEqual(10_000);
      expect(port.counters.overrunBytes % 1_000).toBe(0);
    } finally {
      closeSync(fd);
    }
  });

  it.skipIf(!isThere)('leaves no process and no file behind', async () => {
    const own = await openPtyPort({ program });
    const pid = own.helperPid!;
    expect(isAlive(pid)).toBe(true);
    await own.close();
    await own.close();
    expect(isAlive(pid)).toBe(false);
    expect(existsSync(dirname(own.address.path))).toBe(false);
    await expect(own.replug()).rejects.toMatchObject({ code: 'LINK_CLOSED' });
  });

  it.skipIf(!isThere)('ends with a parent that is killed, also while its port is full', async () => {
    const script = `
      import { openPtyPort } from ${JSON.stringify(new URL('../../../simulator/ports/pty-port.ts', import.meta.url).href)};
      const port = await openPtyPort({ program: '${program}' });
      setInterval(() => { for (let i = 0; i < 50; i++) port.write(new Uint8Array(4096)); }, 2);
      console.log(JSON.stringify({ pid: port.helperPid, path: port.address.path }));
      setInterval(() => { if (port.counters.overrunBytes > 0) console.log('full'); }, 20);
    `;
    const parent = spawn(process.execPath, ['--input-type=module', '-e', script], { stdio: ['ignore', 'pipe', 'inherit'] });
    let said = '';
    parent.stdout.on('data', (data: Buffer) => { said += data.toString(); });
    let fd: number | null = null;
    try {
      await waitUntil(() => said.includes('\n'), 'the port in the child');
      const { pid, path } = JSON.parse(said.split('\n')[0]!) as { pid: number; path: string };
      fd = openSync(path, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK);
      await waitUntil(() => said.includes('full'), 'a full port');
      parent.kill('SIGKILL');
      await waitUntil(() => !isAlive(pid), 'the helper to end');
      await waitUntil(() => !existsSync(dirname(path)), 'its link and folder to go');
    } finally {
      if (fd !== null) closeSync(fd);
      parent.kill('SIGKILL');
    }
  });
});

describe('opening a pseudo terminal', () => {
  let folder: string;
  beforeEach(() => { folder = mkdtempSync(join(tmpdir(), 'torsiond-test-')); });
  afterEach(() => rmSync(folder, { recursive: true, force: true }));

  it('refuses a path that is in use', async () => {
    const linkPath = join(folder, 'port');
    const first = await openPtyPort({ linkPath });
    try {
      await expect(openPtyPort({ linkPath })).rejects.toMatchObject({ code: 'SIM_PORT_TAKEN', where: linkPath });
      expect(first.isPluggedIn).toBe(true);
    } finally {
      await first.close();
    }
  });

  it('says why when the folder is missing, and leaves nothing running', async () => {
    await expect(openPtyPort({ linkPath: join(folder, 'missing', 'port'), program: 'python3' })).rejects.toMatchObject({ code: 'SIM_NO_PTY' });
  });

  it.skipIf(findPtyProgram('python3') === null)('counts what nobody heard, as a UART drops it', async () => {
    const port = await openPtyPort({ program: 'python3' });
    try {
      port.write(Buffer.from('early\r\n'));
      const there = new Host(port.address.path);
      try {
        await waitUntil(() => port.counters.unheardBytes === 7, 'the unheard bytes to be told');
        port.write(Buffer.from('late\r\n'));
        await waitUntil(() => there.text.length > 0, 'bytes at the host');
        expect(there.text).toBe('late\r\n');
      } finally {
        there.close();
      }
    } finally {
      await port.close();
    }
  });

  it('falls back to TCP with a notice when there is no program for it', async () => {
    const notices: TorsiondError[] = [];
    const port = await openPort({ prefer: 'pty', programFolders: [folder], notice: (error) => notices.push(error) });
    try {
      expect(port.address.kind).toBe('tcp');
      expect(notices.map((error) => error.code)).toEqual(['SIM_NO_PTY']);
    } finally {
      await port.close();
    }
  });
});

describe('TCP port', () => {
  const opened: { close(): unknown }[] = [];
  afterEach(async () => {
    for (const entry of opened.splice(0).reverse()) await entry.close();
  });
  const open = async (maxBacklogBytes?: number): Promise<TcpPort> => {
    const port = await openTcpPort(maxBacklogBytes === undefined ? {} : { maxBacklogBytes });
    opened.push(port);
    return port;
  };
  const client = async (port: TcpPort): Promise<{ socket: Socket; text(): string; isOver(): boolean }> => {
    const socket = connect(port.address.port, port.address.host);
    opened.push({ close: () => socket.destroy() });
    let text = '';
    let isOver = false;
    socket.on('data', (data) => { text += data.toString(); });
    socket.on('error', () => {});
    socket.on('close', () => { isOver = true; });
    await waitUntil(() => {
      port.write(Buffer.from('.'));
      return text.length > 0;
    }, 'a connection');
    return { socket, text: () => text, isOver: () => isOver };
  };

  it('carries bytes both ways', async () => {
    const port = await open();
    let heard = '';
    port.onData((bytes) => { heard += Buffer.from(bytes).toString(); });
    const there = await client(port);
    port.write(Buffer.from('12.5\r\n'));
    there.socket.write('ZERO\r\n');
    await waitUntil(() => there.text().endsWith('12.5\r\n') && heard === 'ZERO\r\n', 'both texts');
    expect(port.counters.receivedBytes).toBe(6);
  });

  it('breaks the connection when unplugged and listens at the same port again', async () => {
    const port = await open();
    const address = port.address;
    const before = await client(port);
    await port.unplug();
    await waitUntil(() => before.isOver(), 'the client to see the end');
    await port.replug();
    expect(port.address).toEqual(address);
    await client(port);
  });

  it('drops whole writes for a client that does not read', async () => {
    const port = await open(10_000);
    const there = await client(port);
    there.socket.pause();
    await waitUntil(() => {
      for (let i = 0; i < 200; i++) port.write(new Uint8Array(1_000));
      return port.counters.overrunBytes > 1_000_000;
    }, 'an overrun');
    expect(port.backlogBytes).toBeLessThanOrEqual(10_000);
  });

  it('names a port that is taken', async () => {
    const port = await open();
    await expect(openTcpPort({ port: port.address.port })).rejects.toMatchObject({ code: 'SERVER_ADDRESS' });
  });
});
