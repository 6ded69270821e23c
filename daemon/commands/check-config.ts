/** `torsiond check-config FILE`: every fault of a settings file, with its line. */
import { TorsiondError } from '../../shared/errors.ts';
import { parseSettings, readSettingsText } from '../settings/load-settings.ts';
import { formatFault } from '../settings/settings-fault.ts';
import type { RegisterCommand } from './context.ts';

export const registerCheckConfig: RegisterCommand = (program, context, finish) => {
  program.command('check-config')
    .summary('says every fault of a settings file')
    .description('Says every fault of a settings file as "file:line:column path: what is wrong and what is allowed"; exit 78 when there is one.')
    .argument('<file>', 'settings file (YAML)')
    .option('--json', 'one JSON object per fault on standard output')
    .action(finish(async (file: string, options: { json?: boolean }) => {
      const { gatewayChecks } = await import('../settings/default-checks.ts');
      const { settings, faults } = parseSettings(await readSettingsText(file), gatewayChecks);
      if (settings !== null) {
        const channels = settings.instruments.reduce((sum, instrument) => sum + instrument.channels.length, 0);
        if (!options.json) await context.print(`${file}: fine; station "${settings.station}", ${count(settings.instruments.length, 'instrument')}, ${count(channels, 'channel')}`);
        return 0;
      }
      for (const fault of faults) {
        if (options.json) await context.print(JSON.stringify({ type: 'fault', file, ...fault }));
        else await context.complain(formatFault(file, fault));
      }
      const summary = new TorsiondError('SETTINGS_INVALID', count(faults.length, 'fault'), { where: file, hint: 'Correct the named lines.' });
      await context.complain(summary.toLine());
      return summary.facts.exit;
    }));
};

function count(number: number, what: string): string {
  return `${number} ${what}${number === 1 ? '' : 's'}`;
}
