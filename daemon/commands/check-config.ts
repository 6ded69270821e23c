/** `torsiond check-config FILE`: every fault of a settings file, with its line. */
import { TorsiondError } from '../../shared/errors.ts';
import { formatFault } from '../settings/settings-fault.ts';
import type { RegisterCommand } from './context.ts';

export const registerCheckConfig: RegisterCommand = (program, context, finish) => {
  program.command('check-config')
    .summary('says every fault of a settings file')
    .description('Says every fault of a settings file as "file:line:column path: what is wrong and what is allowed"; exit 78 when there is one. '
      + 'Loads the drivers from outside that the file lists, which runs their code.')
    .argument('<file>', 'settings file (YAML)')
    .option('--json', 'one JSON object per fault on standard output')
    .action(finish(async (file: string, options: { json?: boolean }) => {
      const { readSettings } = await import('../settings/read-settings.ts');
      const { parsed: { settings, faults }, checks } = await readSettings(file);
      if (settings !== null) {
        const channels = settings.instruments.reduce((sum, instrument) => sum + instrument.channels.length, 0);
        const outside = checks.outsideDrivers.map(({ definition, origin }) => `; driver ${definition.id} from ${origin}`).join('');
        if (!options.json) await context.print(`${file}: fine; station "${settings.station}", ${count(settings.instruments.length, 'instrument')}, ${count(channels, 'channel')}${outside}`);
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
