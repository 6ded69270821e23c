/** `torsiond replay`: recordings and plain traces through the capture code of the gateway. */
import { CaptureMode } from '../../shared/capture-settings.ts';
import { displayStep } from '../../shared/display.ts';
import { asTorsiondError, TorsiondError } from '../../shared/errors.ts';
import { convertTorque } from '../../shared/units.ts';
import type { SettingsChecks } from '../settings/check-settings.ts';
import type { ChannelSettings } from '../settings/schema.ts';
import type { CommandContext, RegisterCommand } from './context.ts';
import { counted } from './options.ts';
import { createProgress, type Progress } from './progress.ts';
import { ReadingTable } from './reading-table.ts';
import { checkWindow, ReplayWindow } from './replay-window.ts';
import { COMMAND_LINE_UNIT, adaptChannel, addReplayOptions, traceChannel, type ReplayFlags } from './replay-options.ts';

export const registerReplay: RegisterCommand = (program, context, finish) => {
  addReplayOptions(program.command('replay')
    .summary('recordings and traces to readings')
    .description('Replays recordings (.mcap) and plain traces (.csv, .ndjson), in the order given, through the same code as live torque, and '
      + 'prints one line per reading and per cycle that gave none. Nothing is stored. A fault in a file ends the replay there; a recording that was '
      + 'cut is read up to the cut, the next files follow, and the exit code is 65.')
    .argument('<files...>', 'files to replay'))
    .action(finish((files: string[], flags: ReplayFlags) => replay(files, flags, context)));
};

/** A replay that takes longer shows how far it is. */
const PROGRESS_AFTER_MS = 500;

async function replay(files: readonly string[], flags: ReplayFlags, context: CommandContext): Promise<number> {
  const [{ peekKind }, { replayFile }, { openReplayPipeline }, checks] = await Promise.all([
    import('../recording/input-file.ts'), import('../recording/replay.ts'), import('../recording/replay-pipeline.ts'), driverChecks(flags.config),
  ]);
  // Everything that can be known to be wrong is told before the first reading.
  checkWindow(flags);
  const traceSettings = traceChannel(flags);
  for (const file of files) {
    const kind = await peekKind(file, flags.format);
    if (kind === 'csv' || kind === 'ndjson') mustSay(flags, file);
  }
  let exitCode = 0;
  for (const file of files) {
    const progress = createProgress(context, file, PROGRESS_AFTER_MS);
    // Rows may stand on the same terminal as the bar.
    const print = (line: string): Promise<void> => {
      progress.clear();
      return context.print(line);
    };
    const window = new ReplayWindow(flags.from, flags.to);
    let size: number | null = null;
    let table: ReadingTable | null = null;
    const counts = { readings: 0, interrupted: 0, dismissed: 0 };
    const row = async (line: (table: ReadingTable) => string): Promise<void> => {
      if (table === null) throw new TorsiondError('INTERNAL', 'a reading came before its channel');
      await print(line(table));
    };
    const results = replayFile(file, {
      traceSettings,
      adapt: (recorded, _source, hasCommands) => adaptChannel(recorded, flags, hasCommands),
      asked: { timeColumn: flags.timeColumn, torqueColumn: flags.torqueColumn, timeUnit: flags.timeUnit, unit: flags.traceUnit, skipLines: flags.skipLines },
      format: flags.format,
      onOpen: (kind, bytes) => {
        if (kind !== 'mcap') mustSay(flags, file);
        size = bytes;
      },
      onOrigin: (wallMs) => (window.originMs = wallMs),
      blockSize: flags.block,
      findDriver: (id, origin) => checks.findDriver(id) ?? missingDriver(id, origin, checks, flags.config),
      openPipeline: (channel) => {
        table ??= new ReadingTable(stepOf(channel.settings));
        return openReplayPipeline(channel, context.version);
      },
      pace: pacer(flags.speed, context),
      stop: context.stop,
      onBytes: (bytes) => (size === null ? progress.amount(bytes) : progress.show(bytes / size)),
    });
    if (!flags.json) await context.print(`${files.length > 1 && file !== files[0] ? '\n' : ''}${file}\n${new ReadingTable(1).head()}`);
    for await (const result of cleared(results, progress, file)) {
      if (result.kind === 'fault') {
        progress.clear();
        await context.complain(inFile(result.error, file).toLine());
        exitCode = result.error.facts.exit;
      } else if (result.kind === 'note') {
        progress.clear();
        await context.complain(`note: ${result.text} (${file})`);
      } else if (result.kind === 'reading') {
        if (!window.holds(result.reading)) continue;
        counts.readings++;
        if (flags.json) await print(JSON.stringify(result.reading));
        else await row((lines) => lines.reading(result.reading));
      } else if (result.kind === 'loaded') {
        if (flags.json) await print(JSON.stringify(result.note));
        else await row((lines) => lines.loaded(result.note));
      } else {
        if (!window.holds(result.cycle)) continue;
        counts[result.kind]++;
        if (flags.json) await print(JSON.stringify(result.cycle));
        else await row((lines) => lines.withoutReading(result.cycle));
      }
    }
    if (!flags.json) await context.print(`${counted(counts.readings, 'reading')}, ${counted(counts.interrupted, 'interrupted cycle')}, ${counted(counts.dismissed, 'dismissed cycle')}`);
    if (window.left > 0) await context.complain(`note: ${counted(window.left, 'cycle')} outside of --from and --to, or only partly inside, left out (${file})`);
    if (context.stop.aborted) break;
  }
  return exitCode;
}

/** @throws TorsiondError USAGE where a trace is to be judged by what nobody said */
function mustSay({ capacity, mode, unit }: ReplayFlags, file: string): void {
  if (mode === undefined) {
    throw new TorsiondError('USAGE', `a trace does not say how a cycle becomes a reading; give it with --mode, which is one of ${CaptureMode.options.join(', ')}`, { where: file });
  }
  if (capacity === undefined) {
    throw new TorsiondError('USAGE', `a trace does not say the transducer's capacity; give it with --capacity, in ${unit ?? COMMAND_LINE_UNIT}`, { where: file });
  }
}

async function driverChecks(config: string | undefined): Promise<SettingsChecks> {
  if (config === undefined) return (await import('../settings/default-checks.ts')).gatewayChecks;
  return (await (await import('../settings/read-settings.ts')).loadSettings(config)).checks;
}

/** @param origin where the recorder says that the driver came from */
function missingDriver(id: string, origin: string | null, checks: SettingsChecks, config: string | undefined): never {
  const from = origin === null ? '' : `, which came from ${origin}`;
  throw new TorsiondError('DRIVER_UNKNOWN', `the recording needs the driver "${id}"${from}; known are ${checks.driverIds().join(', ')}`, {
    hint: config === undefined ? 'Give --config with the settings file that lists it under "drivers".' : `List its package or file under "drivers" in ${config}.`,
  });
}

async function* cleared<T>(items: AsyncIterable<T>, progress: Progress, file: string): AsyncGenerator<T, void, void> {
  try {
    yield* items;
  } catch (thrown) {
    throw inFile(asTorsiondError(thrown), file);
  } finally {
    progress.clear();
  }
}

/** In the unit of the readings. */
function stepOf({ transducer, unit, capture }: ChannelSettings): number {
  const converted = (torque: number): number => convertTorque(torque, unit, capture.unit);
  return displayStep(transducer.resolution === undefined ? null : converted(transducer.resolution), converted(transducer.capacity));
}

/** With several files on the command line, a fault that names no place says which file it is about. */
function inFile(error: TorsiondError, file: string): TorsiondError {
  return error.where === null ? new TorsiondError(error.code, error.message, { where: file, hint: error.hint, cause: error }) : error;
}

/** Waits until it is time, counted from the first moment of the file. */
function pacer(speed: number | 'max', context: CommandContext): (atMs: number) => Promise<void> | null {
  if (speed === 'max') return () => null;
  let firstMs: number | null = null;
  const startedMs = context.clock.monoMs();
  return (atMs) => {
    firstMs ??= atMs;
    const restMs = startedMs + (atMs - firstMs) / speed - context.clock.monoMs();
    if (restMs <= 1 || context.stop.aborted) return null;
    return new Promise<void>((resolve) => {
      const done = (): void => {
        cancel();
        context.stop.removeEventListener('abort', done);
        resolve();
      };
      const cancel = context.clock.after(restMs, done);
      context.stop.addEventListener('abort', done, { once: true });
    });
  };
}
