/** Arguments, signals, exit codes and the last resort. What the commands do stands in commands/. */
import { asTorsiondError } from '../shared/errors.ts';
import { systemClock } from '../shared/clock.ts';
import { runProgram } from './commands/program.ts';
import { packageVersion } from './commands/version.ts';

const EXIT_STOPPED_HARD = 130;

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
  await Promise.all([flushed(process.stdout), flushed(process.stderr)]);
  process.exit(code);
}

function fatal(thrown: unknown): void {
  const error = asTorsiondError(thrown);
  const stack = thrown instanceof Error && error.code === 'INTERNAL' ? `\n${thrown.stack ?? ''}` : '';
  process.stderr.write(`${error.toLine()}${stack}\n`);
  void leave(error.code === 'INTERNAL' ? 70 : error.facts.exit);
}

process.on('uncaughtException', fatal);
process.on('unhandledRejection', fatal);
// Whoever read the output has had enough (`| head`): nothing is wrong.
process.stdout.on('error', (error: NodeJS.ErrnoException) => (error.code === 'EPIPE' ? process.exit(0) : fatal(error)));
process.stderr.on('error', () => {});

const stop = new AbortController();
const onSignal = (): void => {
  if (stop.signal.aborted) process.exit(EXIT_STOPPED_HARD);
  stop.abort();
};
process.on('SIGINT', onSignal);
process.on('SIGTERM', onSignal);

const exitCode = await runProgram(process.argv.slice(2), {
  clock: systemClock,
  version: packageVersion(),
  env: process.env,
  isTerminal: { out: process.stdout.isTTY, err: process.stderr.isTTY },
  print: (line) => writeThrough(process.stdout, line),
  complain: (line) => writeThrough(process.stderr, line),
  status: (text) => process.stderr.write(text),
  stop: stop.signal,
});
await leave(exitCode);
