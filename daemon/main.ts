/** Arguments, signals, exit codes and the last resort. What the commands do stands in commands/. */
import { asTorsiondError } from '../shared/errors.ts';
import { systemClock } from '../shared/clock.ts';
import { whenReaderGone } from '../drivers/links/reader-watch.ts';
import { ReaderGone } from './commands/context.ts';
import { EXIT_READER_GONE, runProgram } from './commands/program.ts';
import { packageVersion } from './version.ts';

const EXIT_STOPPED_HARD = 130;
/** Nothing is known of the state that an unforeseen fault leaves; whoever supervises starts a new process. */
const EXIT_DEFECT = 70;
const FLUSH_LIMIT_MS = 2_000;
/** npm passes on the Ctrl-C that the terminal has sent already; so soon after it is the same one. */
const SAME_SIGNAL_MS = 500;
/** A command that neither prints nor asks whether it is to stop must not work on for nobody. */
const READER_GONE_LIMIT_MS = 10_000;
/** A terminal that was closed answers EIO. */
const READER_GONE_CODES = new Set(['EPIPE', 'ECONNRESET', 'EIO']);

const stop = new AbortController();
let hasLostOutput = false;
let signalledAtMs: number | null = null;

/** Resolves also when the write fails; what is then to do, the stream's own listener knows. */
function writeThrough(stream: NodeJS.WriteStream, line: string): Promise<void> {
  return new Promise((resolve) => {
    if (stream.write(`${line}\n`, () => resolve())) resolve();
  });
}

/** @throws ReaderGone */
async function print(line: string): Promise<void> {
  if (hasLostOutput) throw new ReaderGone();
  await writeThrough(process.stdout, line);
  if (hasLostOutput) throw new ReaderGone();
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
  process.exit(endCode(code));
}

/** Output that nobody took is no success; after a signal it is what was to be expected. */
function endCode(code: number): number {
  if (signalledAtMs !== null) return code === EXIT_READER_GONE ? 0 : code;
  return code === 0 && hasLostOutput ? EXIT_READER_GONE : code;
}

/** `process.exit` waits for threads that are inside the database, which may wait for the disk; a signal does not. */
function endAtOnce(): never {
  process.removeAllListeners('SIGINT');
  process.kill(process.pid, 'SIGINT');
  process.exit(EXIT_STOPPED_HARD);
}

function fatal(thrown: unknown): void {
  if (thrown instanceof ReaderGone) return; // of a line that nothing waited for; the command is being stopped
  const error = asTorsiondError(thrown);
  const stack = thrown instanceof Error && error.code === 'INTERNAL' ? `\n${thrown.stack ?? ''}` : '';
  process.stderr.write(`${error.toLine()}${stack}\n`);
  void leave(EXIT_DEFECT);
}

process.on('uncaughtException', fatal);
process.on('unhandledRejection', fatal);
// Whoever read the output has had enough (`| head`): nothing is wrong, and the command ends in good order.
process.stdout.on('error', (error: NodeJS.ErrnoException) => {
  if (!READER_GONE_CODES.has(error.code ?? '')) return fatal(error);
  if (hasLostOutput) return;
  hasLostOutput = true;
  systemClock.after(READER_GONE_LIMIT_MS, () => process.exit(EXIT_READER_GONE));
  stop.abort();
});
process.stderr.on('error', () => {});

const onSignal = (): void => {
  if (signalledAtMs !== null && systemClock.monoMs() - signalledAtMs > SAME_SIGNAL_MS) endAtOnce();
  signalledAtMs ??= systemClock.monoMs();
  stop.abort();
};
process.on('SIGINT', onSignal);
process.on('SIGTERM', onSignal);
// The terminal was closed. System and shell both tell it, as late as they like, so it is never a second, impatient signal.
process.on('SIGHUP', () => {
  signalledAtMs ??= systemClock.monoMs();
  stop.abort();
});

const exitCode = await runProgram(process.argv.slice(2), {
  clock: systemClock,
  version: packageVersion(),
  env: process.env,
  isTerminal: { out: Boolean(process.stdout.isTTY), err: Boolean(process.stderr.isTTY) },
  print,
  complain: (line) => writeThrough(process.stderr, line),
  status: (text) => process.stderr.write(text),
  stop: stop.signal,
  endWithReader: () => whenReaderGone(() => stop.abort()),
});
await leave(exitCode);
