/** Runs the real command as a child process; it is ended with the test, by its own id. */
import { spawn, type ChildProcess } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { onTestFinished } from 'vitest';
import { runProgram } from '../../daemon/commands/program.ts';
import { packageVersion } from '../../daemon/version.ts';
import { systemClock } from '../../shared/clock.ts';

const ENTRY = fileURLToPath(new URL('../../daemon/torsiond.mjs', import.meta.url));

export interface Finished {
  readonly exitCode: number | null;
  readonly signal: NodeJS.Signals | null;
  readonly stdout: string;
  readonly stderr: string;
}

export interface RunningCommand {
  readonly process: ChildProcess;
  readonly stdout: () => string;
  readonly stderr: () => string;
  readonly finished: Promise<Finished>;
}

export function startTorsiond(args: readonly string[], env: Record<string, string> = {}): RunningCommand {
  const child = spawn(process.execPath, [ENTRY, ...args], { env: { ...process.env, ...env }, stdio: ['ignore', 'pipe', 'pipe'] });
  let stdout = '';
  let stderr = '';
  child.stdout.setEncoding('utf8').on('data', (text: string) => (stdout += text));
  child.stderr.setEncoding('utf8').on('data', (text: string) => (stderr += text));
  const finished = new Promise<Finished>((resolve, reject) => {
    child.once('error', reject);
    child.once('close', (exitCode, signal) => resolve({ exitCode, signal, stdout, stderr }));
  });
  onTestFinished(async () => {
    if (child.exitCode === null && child.signalCode === null) child.kill('SIGKILL');
    await finished;
  });
  return { process: child, stdout: () => stdout, stderr: () => stderr, finished };
}

export function torsiond(...args: string[]): Promise<Finished> {
  return startTorsiond(args).finished;
}

/** The same command in this process: quicker, where it is the command that is tested and not the process. */
export async function inProcess(...args: string[]): Promise<Omit<Finished, 'signal'>> {
  const stop = new AbortController();
  onTestFinished(() => stop.abort());
  let stdout = '';
  let stderr = '';
  const exitCode = await runProgram(args, {
    clock: systemClock, version: packageVersion(), env: process.env, isTerminal: { out: false, err: false }, stop: stop.signal,
    print: async (line) => void (stdout += `${line}\n`),
    complain: async (line) => void (stderr += `${line}\n`),
    status: (text) => void (stderr += text),
    endWithReader: () => {},
  });
  return { exitCode, stdout, stderr };
}
