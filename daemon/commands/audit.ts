/** `torsiond audit`: is the record chain whole? */
import { TorsiondError } from '../../shared/errors.ts';
import type { RegisterCommand } from './context.ts';
import { counted, DATA_OPTION, dataDirectory, JSON_OPTION } from './options.ts';
import { createProgress } from './progress.ts';

export const registerAudit: RegisterCommand = (program, context, finish) => {
  program.command('audit')
    .summary('verifies the record chain')
    .description('Verifies that no stored record was changed, removed or put in between; exit 65 when one was. Works beside a running daemon.')
    .option(...DATA_OPTION)
    .option(...JSON_OPTION)
    .action(finish(async (options: { data?: string; json?: boolean }) => {
      const { openStoreReadOnly } = await import('../storage/open-store.ts');
      const directory = dataDirectory(options.data, context.env);
      const store = await openStoreReadOnly(directory);
      const progress = createProgress(context, 'audit');
      try {
        const report = await store.audit((share) => progress.show(share));
        progress.clear();
        if (options.json) await context.print(JSON.stringify({ type: 'audit', ...report }));
        else for (const fault of report.faults) await context.complain(`${directory}: record ${fault.seq}: ${fault.what}`);
        if (report.faults.length === 0) {
          if (!options.json) await context.print(`${counted(report.records, 'record')}, the chain is whole; its head is ${report.head}`);
          return 0;
        }
        const error = new TorsiondError('STORE_CHAIN', `${counted(report.faults.length, 'fault')} in ${counted(report.records, 'record')}`, { where: directory });
        await context.complain(error.toLine());
        return error.facts.exit;
      } finally {
        progress.clear();
        await store.close();
      }
    }));
};
