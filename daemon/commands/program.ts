/** The command line: parses it, runs one command, turns faults into lines and exit codes. */
import { Command, CommanderError } from 'commander';
import { asTorsiondError, ERROR_TABLE, TorsiondError } from '../../shared/errors.ts';
import { registerAudit } from './audit.ts';
import { registerCheckConfig } from './check-config.ts';
import { ReaderGone, type CommandContext, type Finish, type RegisterCommand } from './context.ts';
import { registerDiagnose } from './diagnose.ts';
import { registerExport } from './export.ts';
import { registerPorts } from './ports.ts';
import { registerProbe } from './probe.ts';
import { registerRecheck } from './recheck.ts';
import { registerRecord } from './record.ts';
import { registerReplay } from './replay.ts';
import { registerSimulate } from './simulate.ts';
import { registerStart } from './start.ts';
import { registerToken } from './token.ts';

const COMMANDS: readonly RegisterCommand[] = [
  registerStart, registerPorts, registerProbe, registerCheckConfig, registerSimulate, registerRecord, registerReplay, registerRecheck, registerExport, registerAudit, registerToken, registerDiagnose,
];

/** What a shell shows for a program that SIGPIPE ended: not everything was written, so it is no success. */
export const EXIT_READER_GONE = 141;

/** Never throws. @returns the exit code */
export async function runProgram(args: readonly string[], context: CommandContext): Promise<number> {
  let exitCode = 0;
  const finish: Finish = (action) => async (...values) => {
    exitCode = await action(...values);
  };
  const help: string[] = [];
  const program = new Command('torsiond')
    .description('Gateway for torque transducers: captures, judges, stores and broadcasts readings.')
    .version(context.version, '-V, --version', 'prints the version')
    .helpOption('-h, --help', 'prints this help')
    .helpCommand('help [command]', 'prints the help of a command')
    .exitOverride()
    .configureOutput({ writeOut: (text) => void help.push(text), writeErr: () => {}, outputError: () => {} });
  for (const register of COMMANDS) register(program, context, finish);

  try {
    if (args.length === 0) throw new TorsiondError('USAGE', 'no command is given');
    await program.parseAsync([...args], { from: 'user' });
    return exitCode;
  } catch (thrown) {
    if (thrown instanceof ReaderGone) return EXIT_READER_GONE;
    if (thrown instanceof CommanderError) {
      if (thrown.exitCode === 0) {
        return await context.print(help.join('').trimEnd()).then(() => 0, () => EXIT_READER_GONE);
      }
      const usage = usageError(thrown, args);
      await context.complain(usage.toLine());
      return usage.facts.exit;
    }
    const error = withCommandHint(asTorsiondError(thrown), args);
    await context.complain(error.toLine());
    if (error.code === 'INTERNAL' && thrown instanceof Error && thrown.stack) await context.complain(thrown.stack);
    return error.facts.exit;
  }
}

function usageError(error: CommanderError, args: readonly string[]): TorsiondError {
  // `torsiond help nonsense` and a command without its own action end with help instead of a message.
  const message = error.code !== 'commander.help' ? error.message.replace(/^error: /, '')
    : args[0] === 'help' ? 'that is no command' : `${args[0]} needs one of its commands behind it`;
  const command = error.code === 'commander.unknownCommand' && args.length === 1 ? null : commandOf(args);
  return new TorsiondError('USAGE', message, { hint: command === null ? 'See "torsiond --help".' : `See "torsiond ${command} --help".` });
}

/** What a command itself says of its arguments points to its own help. */
function withCommandHint(error: TorsiondError, args: readonly string[]): TorsiondError {
  const command = commandOf(args);
  if (error.code !== 'USAGE' || command === null || error.hint !== ERROR_TABLE.USAGE.hint) return error;
  return new TorsiondError('USAGE', error.message, { ...(error.where === null ? {} : { where: error.where }), hint: `See "torsiond ${command} --help".` });
}

function commandOf(args: readonly string[]): string | null {
  return args[0] !== undefined && /^[a-z]/.test(args[0]) && args[0] !== 'help' ? args[0] : null;
}
