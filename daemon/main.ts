/** Arguments, signals, exit codes and the last resort. What the commands do stands in commands/. */
import { asTorsiondError } from '../shared/errors.ts';
import { systemClock } from '../shared/clock.ts';
import { runProgram } from './commands/program.ts';
import { packageVersion } from './version.ts';

const EXIT_STOPPED_HARD = 130;
/** Nothing is known of the state that an unforeseen fault leaves; whoever supervises starts a new process. */
const EXIT_DEFECT = 70;
const FLUSH_LIMIT_MS = 2_000;
/** npm passes on the Ctrl-C that the terminal has sent already; so soon after it is the same one. */
const SAME_SIGNAL_MS = 500;

function writeThrough(stream: NodeJS.WriteStream, line: string): Promise<void> {
  return new Promise((resolve) => {
    if (stream.write(`${line}\n`)) resolve();
    else stream.once('drain', resolve);
  });
}

/** Waits until everything written has left, so that a pipe gets it before the process ends. */
function flushed(stream: NodeJS.WriteStream): Promise<void> {
  return new Promise((resolve) => {
    if (stream.destroyed || stream.writableLength === 0) resolve();
    else stream.write('', () => resolve());
  });
}

async function leave(code: number): Promise<never> {
  // A reader that neither reads nor goes away must not keep the process.
  systemClock.after(FLUSH_LIMIT_MS, () => process.exit(code));
  await Promise.all([flushed(process.stdout), flushed(process.stderr)]);
  process.exit(code);
}

/** `process.exit` waits for threads that are inside the database, which may wait for the disk; a signal does not. */
function endAtOnce(): never {
  process.removeAllListeners('SIGINT');
  process.kill(process.pid, 'SIGINT');
  process.exit(EXIT_STOPPED_HARD);
}

function fatal(thrown: unknown): void {
  const error = asTorsiondError(thrown);
  const stack = thrown instanceof Error && error.code === 'INTERNAL' ? `\n${thrown.stack ?? ''}` : '';
  process.stderr.write(`${error.toLine()}${stack}\n`);
  void leave(EXIT_DEFECT);
}

process.on('uncaughtException', fatal);
process.on('unhandledRejection', fatal);
// Whoever read the output has had enough (`| head`): nothing is wrong.
process.stdout.on('error', (error: NodeJS.ErrnoException) => (error.code === 'EPIPE' ? process.exit(0) : fatal(error)));
process.stderr.on('error', () => {});

const stop = new AbortController();
let stoppedAtMs = 0;
const onSignal = (): void => {
  if (!stop.signal.aborted) {
    stoppedAtMs = systemClock.monoMs();
    stop.abort();
  } else if (systemClock.monoMs() - stoppedAtMs > SAME_SIGNAL_MS) endAtOnce();
};
process.on('SIGINT', onSignal);
process.on('SIGTERM', onSignal);

const exitCode = await runProgram(process.argv.slice(2), {
  clock: systemClock,
  version: packageVersion(),
  env: process.env,
  isTerminal: { out: Boolean(process.stdout.isTTY), err: Boolean(process.stderr.isTTY) },
  print: (line) => writeThrough(process.stdout, line),
  complain: (line) => writeThrough(process.stderr, line),
  status: (text) => process.stderr.write(text),
  stop: stop.signal,
});
await leave(exitCode);
