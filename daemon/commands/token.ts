/** `torsiond token create | list | revoke`: access tokens of a data directory. */
import { Option } from 'commander';
import type { Scope } from '../../shared/wire/commands.ts';
import type { RegisterCommand } from './context.ts';
import { DATA_OPTION, dataDirectory, JSON_OPTION } from './options.ts';

interface TokenOptions {
  readonly data?: string;
  readonly json?: boolean;
}

export const registerToken: RegisterCommand = (program, context, finish) => {
  const open = async (options: TokenOptions) => (await import('../server/tokens.ts')).openTokenStore(dataDirectory(options.data, context.env), context.clock);
  const token = program.command('token').summary('access tokens').description('Makes, lists and revokes access tokens. A running daemon notices at once.');

  token.command('create')
    .description('Makes a token and shows it, this once: only its hash is kept.')
    .addOption(new Option('--scope <scope>', 'read: see everything; operate: also arm, zero, latch; configure: also change settings')
      .choices(['read', 'operate', 'configure']).makeOptionMandatory())
    .option('--label <text>', 'what it is for', '')
    .option(...DATA_OPTION)
    .option(...JSON_OPTION)
    .action(finish(async (options: TokenOptions & { scope: Scope; label: string }) => {
      const created = (await open(options)).create(options.scope, options.label);
      if (options.json) await context.print(JSON.stringify({ type: 'token', ...created.record, token: created.token }));
      else {
        await context.print(created.token);
        await context.complain(`Token ${created.record.id} may ${options.scope}. Keep it now: it is not shown again.`);
      }
      return 0;
    }));

  token.command('list')
    .description('Lists the tokens, without what they are made of.')
    .option(...DATA_OPTION)
    .option(...JSON_OPTION)
    .action(finish(async (options: TokenOptions) => {
      const records = (await open(options)).list();
      if (options.json) for (const record of records) await context.print(JSON.stringify({ type: 'token', ...record }));
      else if (records.length === 0) await context.print('There are no tokens.');
      else {
        await context.print(`${'id'.padEnd(10)}${'scope'.padEnd(11)}${'made'.padEnd(26)}${'last used'.padEnd(26)}label`);
        for (const record of records) {
          await context.print(`${record.id.padEnd(10)}${record.scope.padEnd(11)}${record.createdAt.padEnd(26)}${(record.lastUsedAt ?? 'never').padEnd(26)}${record.label}`.trimEnd());
        }
      }
      return 0;
    }));

  token.command('revoke')
    .description('Makes a token worthless.')
    .argument('<id>', 'as "token list" shows it')
    .option(...DATA_OPTION)
    .action(finish(async (id: string, options: TokenOptions) => {
      (await open(options)).revoke(id);
      await context.print(`Token ${id} is revoked.`);
      return 0;
    }));
};
