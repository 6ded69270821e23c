/** `torsiond export`: stored readings as CSV or NDJSON. */
import { open, rename, rm } from 'node:fs/promises';
import { TorsiondError } from '../../shared/errors.ts';
import type { ReadingQuery, StoredReading } from '../storage/store.ts';
import type { RegisterCommand } from './context.ts';
import { counted, DATA_OPTION, dataDirectory, moment } from './options.ts';

const FORMATS = ['csv', 'ndjson'];
const PAGE = 1_000;

/** Columns of the CSV, in this order for ever; new ones come at the end. */
const COLUMNS: readonly (readonly [string, (stored: StoredReading) => string | number | boolean | null | undefined])[] = [
  ['seq', ({ reading }) => reading.seq], ['id', ({ reading }) => reading.id], ['channel', ({ reading }) => reading.channel],
  ['epoch', ({ reading }) => reading.epoch], ['startedAt', ({ reading }) => reading.startedAt], ['durationMs', ({ reading }) => reading.durationMs],
  ['mode', ({ reading }) => reading.mode], ['direction', ({ reading }) => reading.direction], ['value', ({ reading }) => reading.value],
  ['maximum', ({ reading }) => reading.maximum], ['unit', ({ reading }) => reading.unit], ['click', ({ reading }) => reading.click],
  ['target', ({ reading }) => reading.target], ['low', ({ reading }) => reading.low], ['high', ({ reading }) => reading.high],
  ['verdict', ({ reading }) => reading.verdict], ['uncertainty', ({ reading }) => reading.uncertainty?.expanded], ['k', ({ reading }) => reading.uncertainty?.k],
  ['sampleRateHz', ({ reading }) => reading.sampleRateHz], ['cutoffHz', ({ reading }) => reading.cutoffHz], ['flags', ({ reading }) => reading.flags.join(' ')],
  ['traceId', ({ reading }) => reading.traceId], ['storedAt', ({ storedAtMs }) => new Date(storedAtMs).toISOString()], ['hash', ({ hash }) => hash],
];

interface ExportOptions {
  readonly format: string;
  readonly since?: string;
  readonly channel?: string;
  readonly out?: string;
  readonly data?: string;
}

export const registerExport: RegisterCommand = (program, context, finish) => {
  program.command('export')
    .summary('stored readings as a file')
    .description('Writes stored readings, oldest first, as CSV (RFC 4180, decimal point) or as one JSON object per line. Works beside a running daemon.')
    .requiredOption('--format <format>', FORMATS.join(' or '))
    .option('--since <time>', 'only readings that began then or later; a day begins at midnight UTC', moment)
    .option('--channel <id>', 'only readings of this channel')
    .option('--out <file>', 'file to write, replaced as a whole; left out: standard output')
    .option(...DATA_OPTION)
    .action(finish(async (options: ExportOptions) => {
      const { format, out } = options;
      if (!FORMATS.includes(format)) throw new TorsiondError('USAGE', `"${format}" is not a format of this version; allowed are ${FORMATS.join(', ')}`);
      const { openStoreReadOnly } = await import('../storage/open-store.ts');
      const store = await openStoreReadOnly(dataDirectory(options.data, context.env));
      const sink = out === undefined ? { write: context.print, finish: async () => {}, discard: async () => {} } : await fileSink(out, format === 'csv' ? '\r\n' : '\n');
      let count = 0;
      try {
        if (format === 'csv') await sink.write(COLUMNS.map(([name]) => name).join(','));
        const query: ReadingQuery = {
          ...(options.since === undefined ? {} : { since: options.since }), ...(options.channel === undefined ? {} : { channel: options.channel }),
          limit: PAGE, order: 'oldest',
        };
        for (let afterSeq = 0; ; ) {
          const page = await store.readings({ ...query, afterSeq });
          for (const stored of page) {
            await sink.write(format === 'csv' ? csvRow(stored) : JSON.stringify({ ...stored.reading, storedAt: new Date(stored.storedAtMs).toISOString(), hash: stored.hash }));
          }
          count += page.length;
          if (page.length < PAGE) break;
          afterSeq = page.at(-1)!.reading.seq!;
        }
        await sink.finish();
      } catch (thrown) {
        await sink.discard();
        throw thrown;
      } finally {
        await store.close();
      }
      if (out !== undefined) await context.complain(`${counted(count, 'reading')} in ${out}`);
      return 0;
    }));
};

function csvRow(stored: StoredReading): string {
  return COLUMNS.map(([, get]) => {
    const text = String(get(stored) ?? '');
    return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  }).join(',');
}

/** Writes beside the file and takes its place at the end, so that nobody ever reads half an export. */
async function fileSink(path: string, lineEnd: string) {
  const part = `${path}.part`;
  const failed = (thrown: unknown): TorsiondError =>
    new TorsiondError('OUTPUT_FAILED', `the file cannot be written (${(thrown as NodeJS.ErrnoException).code ?? String(thrown)})`, { where: path, cause: thrown });
  const file = await open(part, 'w').catch((thrown: unknown) => {
    throw failed(thrown);
  });
  let text: string[] = [];
  let length = 0;
  const flush = async (): Promise<void> => {
    if (length === 0) return;
    const bytes = text.join('');
    text = [];
    length = 0;
    await file.appendFile(bytes);
  };
  return {
    write: async (line: string): Promise<void> => {
      text.push(line, lineEnd);
      length += line.length;
      if (length < 65_536) return;
      try {
        await flush();
      } catch (thrown) {
        throw failed(thrown);
      }
    },
    finish: async (): Promise<void> => {
      try {
        await flush();
        await file.sync();
        await file.close();
        await rename(part, path);
      } catch (thrown) {
        throw failed(thrown);
      }
    },
    discard: async (): Promise<void> => {
      await file.close().catch(() => {});
      await rm(part, { force: true }).catch(() => {});
    },
  };
}
