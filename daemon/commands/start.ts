/** `torsiond start`: runs the gateway until it is stopped. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Option } from 'commander';
import { TorsiondError } from '../../shared/errors.ts';
import type { RunningScenario } from '../../simulator/index.ts';
import { createLog } from '../log.ts';
import type { Settings } from '../settings/schema.ts';
import { makeDataDirectory } from '../storage/data-directory.ts';
import type { CommandContext, RegisterCommand } from './context.ts';
import { jitter } from './jitter.ts';
import { DATA_OPTION, dataDirectory, wholeNumber } from './options.ts';
import { commandSettings, emptySettings } from './settings-file.ts';
import { stopped } from './stopped.ts';

interface StartOptions {
  readonly config?: string;
  readonly data?: string;
  readonly port?: number;
  readonly demo?: boolean;
  readonly logLevel?: 'debug' | 'info' | 'warn' | 'error';
}

const DEMO_SCENARIO = 'bench';
/** A clean stop takes at most this long; then the process ends as it is. */
const STOP_LIMIT_MS = 5_000;

export const registerStart: RegisterCommand = (program, context, finish) => {
  program.command('start')
    .summary('runs the gateway')
    .description('Runs the gateway until it is stopped: Ctrl-C, SIGTERM or closing the terminal stops it cleanly, a second Ctrl-C or SIGTERM at once.')
    .option('--config <file>', 'settings file; default: torsiond.yaml in the data directory when there is one')
    .option(...DATA_OPTION)
    .option('--port <n>', 'port of the page and the interfaces instead of the one in the settings; 0: any free one', wholeNumber(0, 65_535))
    .option('--demo', 'adds the simulated bench; without --data on a fresh data directory that is removed at the end')
    .addOption(new Option('--log-level <level>', 'least important line of the log; default info, with --demo warn').choices(['debug', 'info', 'warn', 'error']))
    .action(finish((options: StartOptions) => start(options, context)));
};

async function start(options: StartOptions, context: CommandContext): Promise<number> {
  const { startDaemon } = await import('../app.ts');
  const log = createLog({ isTerminal: context.isTerminal.err, level: options.logLevel ?? (options.demo ? 'warn' : 'info'), write: (line) => void context.complain(line) });
  const isFresh = options.demo === true && options.data === undefined;
  // The demonstration must not take the settings of a real station by chance.
  const { settings: fileSettings, checks } = isFresh && options.config === undefined ? await emptySettings() : await commandSettings(options, context);
  for (const { definition, origin, file } of checks.outsideDrivers) log.info({ driver: definition.id, from: origin, file }, 'driver from outside');
  const directory = isFresh ? mkdtempSync(join(tmpdir(), 'torsiond-demo-')) : dataDirectory(options.data, context.env);
  let scenario: RunningScenario | null = null;
  try {
    makeDataDirectory(directory);
    let settings = options.port === undefined ? fileSettings : { ...fileSettings, server: { ...fileSettings.server, port: options.port } };
    if (options.demo) {
      scenario = await startBench(context);
      settings = await withBench(settings, scenario);
    }
    const daemon = await startDaemon({
      settings, dataDirectory: directory, clock: context.clock, log, random: jitter, drivers: checks,
    });
    await context.print(`The page is at ${daemon.url} - stop with Ctrl-C.`);
    await stopped(context.stop);
    const timeUp = new Promise<'late'>((resolve) => context.clock.after(STOP_LIMIT_MS, () => resolve('late')));
    if ((await Promise.race([daemon.close(), timeUp])) !== 'late') return 0;
    throw new TorsiondError('INTERNAL', `not everything stopped within ${STOP_LIMIT_MS / 1_000} s`);
  } finally {
    await scenario?.stop();
    if (isFresh) rmSync(directory, { recursive: true, force: true });
  }
}

async function startBench(context: CommandContext): Promise<RunningScenario> {
  const simulator = await import('../../simulator/index.ts');
  return simulator.startScenario(simulator.loadScenario(DEMO_SCENARIO), { clock: context.clock, log: (line) => void context.complain(line) });
}

/** The bench beside the station's own instruments; a name that both have stays with the station. */
async function withBench(settings: Settings, scenario: RunningScenario): Promise<Settings> {
  const { scenarioSettings } = await import('./scenario-settings.ts');
  const bench = scenarioSettings(scenario);
  const own = new Set([...settings.instruments, ...settings.scanners].map((device) => device.id));
  return {
    ...settings,
    station: settings.instruments.length === 0 ? bench.station : settings.station,
    instruments: [...settings.instruments, ...bench.instruments.filter((instrument) => !own.has(instrument.id))],
    scanners: [...settings.scanners, ...bench.scanners.filter((scanner) => !own.has(scanner.id))],
  };
}
