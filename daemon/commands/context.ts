/** What a command may touch; tests and the program give it. */
import type { Command } from 'commander';
import type { Clock } from '../../shared/clock.ts';

export interface CommandContext {
  readonly clock: Clock;
  readonly version: string;
  readonly env: Readonly<Record<string, string | undefined>>;
  readonly isTerminal: { readonly out: boolean; readonly err: boolean };
  /** One line on standard output; resolves when more may be written. @throws ReaderGone when nobody reads it any more */
  print(line: string): Promise<void>;
  /** One line on standard error; when nobody reads that, the command goes on. */
  complain(line: string): Promise<void>;
  /** Raw text on standard error, for progress on a terminal. */
  status(text: string): void;
  /** Aborted by the first SIGINT, SIGTERM or SIGHUP, and when nobody reads standard output any more; the command then ends cleanly. */
  readonly stop: AbortSignal;
  /** From now on the command only runs for whoever reads what it has printed: it is stopped when that one goes. */
  endWithReader(): void;
}

/** Whoever read standard output has had enough (`| head`). No fault, so no line is told. */
export class ReaderGone extends Error {
  constructor() {
    super('nobody reads standard output any more');
    this.name = 'ReaderGone';
  }
}

/** Adds one command to the program. Its action resolves with the exit code, or throws a TorsiondError. */
export type RegisterCommand = (program: Command, context: CommandContext, finish: Finish) => void;
/** Wraps an action so that its exit code reaches the program. */
export type Finish = <Args extends unknown[]>(action: (...args: Args) => Promise<number>) => (...args: Args) => Promise<void>;
