/** A virtual serial port: a pseudo terminal under a path that stays the same when it is unplugged and comes back. */
import { spawn, type ChildProcessByStdio } from 'node:child_process';
import { closeSync, constants, existsSync, mkdtempSync, openSync, rmSync, rmdirSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join, resolve } from 'node:path';
import type { Readable, Writable } from 'node:stream';
import { TorsiondError } from '../../shared/errors.ts';
import { MAX_BACKLOG_BYTES, type PortCounters, type SimulatedPort } from './port.ts';
import { findPtyProgram, ptyCommand, type PtyProgram } from './pty-helper.ts';

export interface PtyPortOptions {
  /** Where the port appears; its folder must exist. Left out: in a folder of its own below the temporary one. */
  linkPath?: string;
  maxBacklogBytes?: number;
  /** Insists on one of the helper programs. */
  program?: PtyProgram['kind'];
  /** Where to look for the helper programs; the usual folders and PATH when left out. */
  programFolders?: readonly string[];
}

type Helper = ChildProcessByStdio<Writable, Readable, Readable>;

/** How long a helper may take to make its port, ms. */
const READY_LIMIT_MS = 10_000;

/** @throws TorsiondError SIM_NO_PTY when neither python3 nor socat is there, or the helper fails; SIM_PORT_TAKEN when the path is in use. */
export async function openPtyPort(options: PtyPortOptions = {}): Promise<PtyPort> {
  const program = findPtyProgram(options.program, options.programFolders);
  if (!program) throw new TorsiondError('SIM_NO_PTY', `neither python3 nor socat was found to make a pseudo terminal`);
  const ownFolder = options.linkPath === undefined ? mkdtempSync(join(tmpdir(), 'torsiond-port-')) : null;
  const linkPath = ownFolder === null ? resolve(options.linkPath!) : join(ownFolder, 'port');
  if (existsSync(linkPath)) throw new TorsiondError('SIM_PORT_TAKEN', 'something else is at the path of the virtual port', { where: linkPath });
  rmSync(linkPath, { force: true }); // a link that leads nowhere is what a killed run left behind
  const port = new PtyPort(program, linkPath, ownFolder, options.maxBacklogBytes ?? MAX_BACKLOG_BYTES);
  try {
    await port.replug();
  } catch (error) {
    await port.close();
    throw error;
  }
  return port;
}

export class PtyPort implements SimulatedPort {
  readonly address: { readonly kind: 'serial'; readonly path: string };
  readonly #program: PtyProgram;
  readonly #ownFolder: string | null;
  readonly #maxBacklogBytes: number;
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  #helper: Helper | null = null;
  /** socat ends when the last one closes the port, so it is kept open here; the Python helper needs no such thing. */
  #keptOpen: number | null = null;
  #pendingBytes = 0;
  #isClosed = false;
  #counters = { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };

  constructor(program: PtyProgram, linkPath: string, ownFolder: string | null, maxBacklogBytes: number) {
    this.address = { kind: 'serial', path: linkPath };
    this.#program = program;
    this.#ownFolder = ownFolder;
    this.#maxBacklogBytes = maxBacklogBytes;
  }

  get isPluggedIn(): boolean {
    return this.#helper !== null;
  }

  get backlogBytes(): number {
    return this.#pendingBytes;
  }

  get counters(): PortCounters {
    return { ...this.#counters };
  }

  /** Of the helper process, while plugged in. */
  get helperPid(): number | null {
    return this.#helper?.pid ?? null;
  }

  write(bytes: Uint8Array): void {
    this.#counters.writtenBytes += bytes.length;
    const helper = this.#helper;
    if (!helper) {
      this.#counters.unheardBytes += bytes.length;
    } else if (this.#pendingBytes + bytes.length > this.#maxBacklogBytes) {
      this.#counters.overrunBytes += bytes.length;
    } else {
      this.#pendingBytes += bytes.length;
      helper.stdin.write(bytes, (error) => {
        if (helper !== this.#helper) return; // counted when it was unplugged
        this.#pendingBytes -= bytes.length;
        if (error) this.#counters.unheardBytes += bytes.length;
      });
    }
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  async unplug(): Promise<void> {
    const helper = this.#helper;
    if (!helper) return;
    const ended = new Promise((done) => helper.once('exit', done));
    this.#forget(helper);
    killGroup(helper);
    await ended;
  }

  async replug(): Promise<void> {
    if (this.#isClosed) throw new TorsiondError('LINK_CLOSED', 'the virtual port is closed', { where: this.address.path });
    if (this.#helper) return;
    const command = ptyCommand(this.#program, this.address.path, this.#ownFolder !== null);
    // A group of its own: Ctrl-C at the terminal is for this process, which then ends the helper in good order.
    const helper = spawn(command.path, command.arguments, { stdio: ['pipe', 'pipe', 'pipe', 'pipe'], detached: true }) as unknown as Helper;
    helper.stdin.on('error', () => {}); // its end is noticed by 'exit'
    this.#helper = helper;
    try {
      await this.#ready(helper);
    } catch (error) {
      this.#forget(helper);
      killGroup(helper);
      throw error;
    }
    if (this.#program.kind === 'socat') {
      this.#keptOpen = openSync(this.address.path, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK);
    }
    helper.stdout.on('data', (bytes: Buffer) => {
      this.#counters.receivedBytes += bytes.length;
      for (const listener of this.#listeners) listener(bytes);
    });
    helper.once('exit', () => this.#forget(helper));
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.unplug();
    if (this.#ownFolder !== null && existsSync(this.#ownFolder)) rmdirSync(this.#ownFolder);
  }

  #forget(helper: Helper): void {
    if (helper !== this.#helper) return;
    this.#helper = null;
    this.#counters.unheardBytes += this.#pendingBytes;
    this.#pendingBytes = 0;
    if (this.#keptOpen !== null) closeSync(this.#keptOpen);
    this.#keptOpen = null;
    if (existsSync(dirname(this.address.path))) rmSync(this.address.path, { force: true });
  }

  /** Waits until the port exists; then follows what the helper says. */
  async #ready(helper: Helper): Promise<void> {
    const isSocat = this.#program.kind === 'socat';
    await new Promise<void>((done, fail) => {
      let told = '';
      const failed = (why: string): void => {
        settle();
        fail(new TorsiondError('SIM_NO_PTY', `${this.#program.path} made no pseudo terminal: ${why}`, { where: this.address.path }));
      };
      const onExit = (code: number | null): void => failed(told.trim() || `it ended with ${code}`);
      const onError = (error: Error): void => failed(error.message);
      const limit = setTimeout(() => failed(`not ready within ${READY_LIMIT_MS} ms`), READY_LIMIT_MS);
      // socat says nothing when its port is there, so its link is looked for.
      const look = isSocat ? setInterval(() => existsSync(this.address.path) && ready(), 5) : undefined;
      const settle = (): void => {
        clearTimeout(limit);
        clearInterval(look);
        helper.removeListener('exit', onExit).removeListener('error', onError);
      };
      const ready = (): void => {
        settle();
        done();
      };
      helper.once('exit', onExit).once('error', onError);
      helper.stderr.setEncoding('utf8').on('data', (text: string) => {
        told = (told + text).slice(-2_000);
        let end: number;
        while (!isSocat && (end = told.indexOf('\n')) >= 0) {
          const [word, number] = told.slice(0, end).split(' ');
          if (word === 'ready') ready();
          if (word === 'open') this.#counters.unheardBytes += Number(number);
          if (word !== 'ready' && word !== 'open' && word !== 'shut') break; // a fault of the helper: kept to be told
          told = told.slice(end + 1);
        }
      });
    });
  }
}

function killGroup(helper: Helper): void {
  if (helper.pid === undefined) return; // it never started
  try {
    process.kill(-helper.pid, 'SIGKILL');
  } catch { /* it ended by itself */ }
}
