/** Child processes of the bench: asked over IPC, measured through /proc, and ended by their own id. */
import { fork, spawn, type ChildProcess } from 'node:child_process';
import { readFileSync, readdirSync, rmSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const running = new Set<ChildProcess>();
/** Removed at the end, whatever the end is. */
export const folders = new Set<string>();
// Also when the bench fails or is stopped.
process.on('exit', () => {
  for (const child of running) child.kill('SIGKILL');
  for (const folder of folders) rmSync(folder, { recursive: true, force: true });
});
for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => process.exit(130));

function kept(child: ChildProcess): ChildProcess {
  running.add(child);
  child.once('exit', () => running.delete(child));
  return child;
}

/** A process that answers every order with one message. */
export class Helper<Order, Answer extends { kind: string }> {
  readonly #child: ChildProcess;

  constructor(file: string) {
    this.#child = kept(fork(fileURLToPath(new URL(file, import.meta.url)), { stdio: ['ignore', 'inherit', 'inherit', 'ipc'] }));
  }

  /** @throws when the process ends instead */
  ask<Kind extends Answer['kind']>(order: Order, _kind: Kind): Promise<Extract<Answer, { kind: Kind }>> {
    const child = this.#child;
    return new Promise((resolve, reject) => {
      const onExit = (code: number | null): void => reject(new Error(`a process of the bench ended with ${code}`));
      child.once('exit', onExit);
      child.once('message', (answer: Extract<Answer, { kind: Kind }>) => {
        child.off('exit', onExit);
        resolve(answer);
      });
      child.send(order as object);
    });
  }

  /** It ends by itself when nobody can ask it any more. */
  async end(): Promise<void> {
    if (this.#child.exitCode !== null) return;
    const ended = new Promise((resolve) => this.#child.once('exit', resolve));
    this.#child.disconnect();
    await ended;
  }
}

/** A program that prints an address when it is ready. */
export class Program {
  readonly #child: ChildProcess;

  private constructor(child: ChildProcess) {
    this.#child = child;
  }

  static async start(args: readonly string[]): Promise<{ program: Program; address: string }> {
    const child = kept(spawn(process.execPath, args, { stdio: ['ignore', 'pipe', 'inherit'] }));
    const address = await new Promise<string>((resolve, reject) => {
      let text = '';
      child.once('exit', (code) => reject(new Error(`${args[0]} ended with ${code}: ${text}`)));
      child.stdout!.setEncoding('utf8').on('data', (more: string) => {
        text += more;
        const found = /(?:http|ws):\/\/[^\s/]+/.exec(text);
        if (found && text.includes('\n')) resolve(found[0]);
      });
    });
    return { program: new Program(child), address };
  }

  get pid(): number {
    return this.#child.pid!;
  }

  /** Processor time of all its threads so far, user and system, ms. */
  cpuMs(): number {
    const tasks = `/proc/${this.pid}/task`;
    return readdirSync(tasks).reduce((sum, task) => sum + Number(readFileSync(`${tasks}/${task}/schedstat`, 'utf8').split(' ')[0]), 0) / 1e6;
  }

  /** Resident memory, MB. */
  memoryMb(): number {
    return Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${this.pid}/status`, 'utf8'))?.[1]) / 1024;
  }

  async end(): Promise<void> {
    if (this.#child.exitCode !== null || this.#child.signalCode !== null) return;
    const ended = new Promise((resolve) => this.#child.once('exit', resolve));
    this.#child.kill('SIGTERM');
    const late = setTimeout(() => this.#child.kill('SIGKILL'), 5_000);
    await ended;
    clearTimeout(late);
  }
}
