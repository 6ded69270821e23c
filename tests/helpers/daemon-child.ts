/** The daemon as a process of its own, for tests and for the bench; whoever starts it ends it. */
import { spawn, type ChildProcess } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { waitUntil } from './wait-until.ts';

const ENTRY = fileURLToPath(new URL('../fixtures/daemon-child.ts', import.meta.url));
/** Compiled code is kept between starts of one test run: a start then takes half the time. */
const CODE_CACHE = mkdtempSync(join(tmpdir(), 'torsiond-code-'));
process.once('exit', () => rmSync(CODE_CACHE, { recursive: true, force: true }));
/** Kernel ticks of /proc/PID/stat, ms. */
const TICK_MS = 10;
const PAGE_BYTES = 4_096;

export interface DaemonProcess {
  readonly process: ChildProcess;
  readonly pid: number;
  /** Starts the daemon with these settings. @returns its port @throws Error with what it said when it ended instead */
  start(settings: object): Promise<number>;
  /** Ends it the hard way. Resolves when it is gone. */
  kill(): Promise<void>;
  /** Stops it cleanly. @returns its exit code */
  stop(): Promise<number | null>;
  stderr(): string;
  /** Processor time it has used, ms, to 10 ms. */
  cpuMs(): number;
  residentBytes(): number;
}

/** A process that has loaded the daemon, or is about to, and waits for its settings. */
export function daemonChild(dataDirectory: string): DaemonProcess {
  const child = spawn(process.execPath, [ENTRY, dataDirectory], { stdio: ['pipe', 'pipe', 'pipe'], env: { ...process.env, NODE_COMPILE_CACHE: CODE_CACHE } });
  let stdout = '';
  let stderr = '';
  child.stdout.setEncoding('utf8').on('data', (text: string) => (stdout += text));
  child.stderr.setEncoding('utf8').on('data', (text: string) => (stderr = (stderr + text).slice(-100_000)));
  child.stdin.on('error', () => {}); // a killed process takes nothing
  const gone = new Promise<void>((resolve) => child.once('close', () => resolve()));
  const isGone = (): boolean => child.exitCode !== null || child.signalCode !== null;
  const kill = async (): Promise<void> => {
    if (!isGone()) child.kill('SIGKILL');
    await gone;
  };
  return {
    process: child,
    pid: child.pid!,
    kill,
    start: async (settings) => {
      child.stdin.write(`${JSON.stringify(settings)}\n`);
      await waitUntil(() => /^running \d+$/m.test(stdout) || isGone(), 'the daemon to run');
      const port = /^running (\d+)$/m.exec(stdout)?.[1];
      if (port === undefined) throw new Error(`the daemon ended: ${stderr}`);
      return Number(port);
    },
    stop: async () => {
      child.stdin.write('stop\n');
      await gone;
      return child.exitCode;
    },
    stderr: () => stderr,
    cpuMs: () => {
      // Fields after the name in brackets: state is the first, user and system time are the twelfth and thirteenth.
      const fields = readFileSync(`/proc/${child.pid}/stat`, 'utf8').replace(/^.*\) /, '').split(' ');
      return (Number(fields[11]) + Number(fields[12])) * TICK_MS;
    },
    residentBytes: () => Number(readFileSync(`/proc/${child.pid}/statm`, 'utf8').split(' ')[1]) * PAGE_BYTES,
  };
}
