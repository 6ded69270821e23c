/** `torsiond simulate`: virtual instruments to connect to. */
import { TorsiondError } from '../../shared/errors.ts';
import type { RegisterCommand } from './context.ts';
import { JSON_OPTION } from './options.ts';
import { stopped } from './stopped.ts';

interface SimulateOptions {
  readonly list?: boolean;
  readonly settings?: boolean;
  readonly tcp?: boolean;
  readonly json?: boolean;
}

export const registerSimulate: RegisterCommand = (program, context, finish) => {
  program.command('simulate')
    .summary('starts virtual instruments')
    .description('Starts the virtual instruments of a scenario, says where to connect, and runs until it is stopped.')
    .argument('[scenario]', 'name of a scenario, or a scenario file (YAML)')
    .option('--list', 'names the scenarios')
    .option('--settings', 'prints settings for "torsiond start --config" that fit the running scenario')
    .option('--tcp', 'TCP instead of pseudo terminals')
    .option(...JSON_OPTION)
    .action(finish(async (name: string | undefined, options: SimulateOptions) => {
      const simulator = await import('../../simulator/index.ts');
      if (options.list) {
        for (const entry of simulator.listScenarios()) {
          await context.print(options.json ? JSON.stringify({ type: 'scenario', ...entry }) : `${entry.name.padEnd(22)}${entry.title}`);
        }
        return 0;
      }
      if (name === undefined) throw new TorsiondError('USAGE', 'no scenario is named', { hint: 'See "torsiond simulate --list".' });
      const running = await simulator.startScenario(simulator.loadScenario(name), {
        clock: context.clock,
        log: (line) => void context.complain(line),
        ...(options.tcp ? { portPreference: 'tcp' as const } : {}),
      });
      try {
        if (options.settings) {
          const [{ stringify }, { scenarioSettingsInput }] = await Promise.all([import('yaml'), import('./scenario-settings.ts')]);
          await context.print(stringify(scenarioSettingsInput(running)).trimEnd());
        } else {
          for (const instrument of running.instruments) {
            const { id, title, address, sampleRateHz } = instrument;
            const place = simulator.addressText(address);
            await context.print(options.json
              ? JSON.stringify({ type: 'instrument', id, title, address, sampleRateHz, channels: instrument.channels })
              : `${id.padEnd(12)}${place}  ${sampleRateHz} S/s  ${title}`);
          }
          for (const { id, title, address } of running.scanners) {
            await context.print(options.json ? JSON.stringify({ type: 'scanner', id, title, address }) : `${id.padEnd(12)}${simulator.addressText(address)}  ${title}`);
          }
        }
        await context.complain('Running; stop with Ctrl-C.');
        context.endWithReader();
        await stopped(context.stop);
        return 0;
      } finally {
        await running.stop();
      }
    }));
};
