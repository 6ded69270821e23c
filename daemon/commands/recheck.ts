/** `torsiond recheck ID…`: stored readings derived again from their traces. */
import { isDeepStrictEqual } from 'node:util';
import { Option } from 'commander';
import { CaptureMode, type CaptureSettings } from '../../shared/capture-settings.ts';
import { decimalsFor, displayStep } from '../../shared/display.ts';
import { asTorsiondError, TorsiondError } from '../../shared/errors.ts';
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import { convertTorque, torqueUnit } from '../../shared/units.ts';
import type { JudgeOptions } from '../pipeline/judge.ts';
import type { ReadOnlyStore } from '../storage/open-store.ts';
import { ReaderGone, type CommandContext, type RegisterCommand } from './context.ts';
import { counted, DATA_OPTION, dataDirectory, JSON_OPTION, positiveNumber } from './options.ts';
import { createProgress } from './progress.ts';
import { adaptCapture, type CaptureFlags } from './replay-options.ts';

interface RecheckFlags extends CaptureFlags {
  readonly all?: boolean;
  readonly data?: string;
  readonly json?: boolean;
}

const PAGE = 1_000;

export const registerRecheck: RegisterCommand = (program, context, finish) => {
  program.command('recheck')
    .summary('derives stored readings again from their traces')
    .description('Derives stored readings again from their traces and says whether each is identical, to the last bit; exit 65 when one is not. '
      + 'With --mode or --cutoff it shows what these would have given instead. Stores nothing; works beside a running daemon.')
    .argument('[ids...]', 'ids of readings')
    .option('--all', 'every stored reading')
    .addOption(new Option('--mode <mode>', 'what this mode would have given').choices(CaptureMode.options))
    .addOption(new Option('--cutoff <hz>', 'what this low-pass would have given').argParser(positiveNumber))
    .addOption(new Option('--order <n>', 'its order; default 2').choices(['2', '4']))
    .option(...DATA_OPTION)
    .option(...JSON_OPTION)
    .action(finish((ids: string[], flags: RecheckFlags) => recheck(ids, flags, context)));
};

async function recheck(ids: readonly string[], flags: RecheckFlags, context: CommandContext): Promise<number> {
  if ((ids.length === 0) === (flags.all !== true)) throw new TorsiondError('USAGE', 'give the ids of readings, or --all');
  const [{ openStoreReadOnly }, { CAPTURE_VERSION }, { rederive }, { whatIf }, { judge }] = await Promise.all([
    import('../storage/open-store.ts'), import('../capture/evidence.ts'), import('../capture/rederive.ts'), import('../capture/what-if.ts'), import('../pipeline/judge.ts'),
  ]);
  const isWhatIf = flags.mode !== undefined || flags.cutoff !== undefined || flags.order !== undefined;
  const store = await openStoreReadOnly(dataDirectory(flags.data, context.env));
  const progress = createProgress(context, 'recheck');
  let checked = 0;
  let different = 0;
  let otherVersion = 0;
  /** Not derived, and why was told. */
  let failed = 0;
  /** @throws what keeps this reading from being derived */
  const one = async (reading: Reading): Promise<void> => {
    const trace = await store.trace(reading.id);
    if (trace === null) throw new TorsiondError('STORE_CHAIN', 'it has no trace', { where: reading.id });
    const version = versionOf(trace);
    if (version !== CAPTURE_VERSION) {
      otherVersion++;
      progress.clear();
      return context.print(flags.json
        ? JSON.stringify({ type: 'recheck', id: reading.id, seq: reading.seq, identical: null, captureVersion: version, presentVersion: CAPTURE_VERSION, differences: [] })
        : `${reading.id}  not derived: made by version ${version} of the capture mathematics, this is version ${CAPTURE_VERSION}`);
    }
    const settings = isWhatIf ? adaptCapture(trace.evidence.settings, flags) : trace.evidence.settings;
    mustHaveAll(settings);
    const asStored: JudgeOptions = { source: reading.source, idOf: () => reading.id, keepsTrace: true };
    if (isWhatIf) {
      const capture = whatIf(trace, settings);
      const other = capture && judge(capture, { ...trace, evidence: { ...trace.evidence, settings } }, asStored).reading;
      progress.clear();
      return context.print(flags.json ? whatIfJson(reading, settings, other) : whatIfText(reading, trace, settings, other));
    }
    const derived = judge(rederive(trace), trace, asStored);
    const differences = compare(reading, derived.reading);
    if (differences.length > 0) different++;
    if (flags.json) return context.print(JSON.stringify({ type: 'recheck', id: reading.id, seq: reading.seq, identical: differences.length === 0, differences }));
    if (flags.all && differences.length === 0) return;
    progress.clear();
    const told = differences.map(({ field, stored, derived }) => `${field} ${JSON.stringify(stored)} stored, ${JSON.stringify(derived)} derived`).join('; ');
    await context.print(`${reading.id}  ${differences.length === 0 ? 'identical' : `DIFFERENT: ${told}`}`);
  };
  try {
    for await (const { reading, share } of flags.all ? everyReading(store) : named(store, ids)) {
      checked++;
      try {
        await one(reading);
      } catch (thrown) {
        // One reading that cannot be derived keeps nobody from the others.
        if (thrown instanceof ReaderGone) throw thrown;
        const { code, message } = asTorsiondError(thrown);
        if (code.startsWith('STORE_') && code !== 'STORE_CHAIN') throw thrown;
        failed++;
        progress.clear();
        await context.print(flags.json
          ? JSON.stringify({ type: isWhatIf ? 'what-if' : 'recheck', id: reading.id, seq: reading.seq, ...(isWhatIf ? { value: null } : { identical: null, differences: [] }), fault: { code, message } })
          : `${reading.id}  not derived: ${message}`);
      }
      progress.show(share);
    }
    progress.clear();
    const fault = faultOf({ checked, different, failed }, isWhatIf);
    if (fault !== null) {
      await context.complain(fault.toLine());
      return fault.facts.exit;
    }
    if (isWhatIf) return 0;
    if (!flags.json) await context.print(summary(checked, otherVersion));
    return 0;
  } finally {
    progress.clear();
    await store.close();
  }
}

interface Counts {
  readonly checked: number;
  readonly different: number;
  readonly failed: number;
}

/** What is to be told at the end; null: nothing. */
function faultOf({ checked, different, failed }: Counts, isWhatIf: boolean): TorsiondError | null {
  const all = counted(checked, 'reading');
  if (different > 0) {
    return new TorsiondError('STORE_CHAIN', `${different} of ${all} could not be derived again from the trace${failed === 0 ? '' : `, and ${failed} not at all`}`, {
      hint: 'Run "torsiond audit"; when the chain is whole, this version of torsiond derives differently: please report it.',
    });
  }
  if (failed === 0) return null;
  return isWhatIf
    ? new TorsiondError('CAPTURE_SETTINGS', `${failed} of ${all} could not have had these settings`, { hint: 'The lines above say why, reading by reading.' })
    : new TorsiondError('STORE_CHAIN', `${failed} of ${all} could not be derived at all`, { hint: 'The lines above say why, reading by reading; "torsiond audit" tells whether what is stored is whole.' });
}

/** Settings were stored as they were then; what a mode needs may have come later. @throws TorsiondError CAPTURE_SETTINGS */
function mustHaveAll(settings: CaptureSettings): void {
  const stored: Partial<CaptureSettings> = settings;
  const needed = ['filter', 'limits', 'detector', ...(settings.mode === 'track' || settings.mode === 'pulse' ? [settings.mode] : [])] as const;
  const missing = needed.filter((name) => stored[name] === undefined);
  if (missing.length === 0) return;
  throw new TorsiondError('CAPTURE_SETTINGS', `the settings stored with it have no ${missing.map((name) => `"${name}"`).join(', ')}, which mode ${settings.mode} needs; they are from before that was a setting`);
}

/** Traces from before versions were counted have none. */
function versionOf({ evidence }: { readonly evidence: { readonly captureVersion?: number } }): number {
  return evidence.captureVersion ?? 1;
}

function summary(checked: number, otherVersion: number): string {
  if (otherVersion === 0) return `${counted(checked, 'reading')}, all identical`;
  const derived = checked - otherVersion;
  return `${counted(checked, 'reading')}: ${derived} derived${derived === 0 ? '' : ', all identical'}; `
    + `${otherVersion} made by another version of the capture mathematics, which is no difference`;
}

async function* named(store: ReadOnlyStore, ids: readonly string[]): AsyncGenerator<{ reading: Reading; share: number }, void, void> {
  for (const [i, id] of ids.entries()) {
    const stored = await store.reading(id);
    if (stored === null) throw new TorsiondError('READING_UNKNOWN', `no reading has the id "${id}"`, { where: id });
    yield { reading: stored.reading, share: (i + 1) / ids.length };
  }
}

async function* everyReading(store: ReadOnlyStore): AsyncGenerator<{ reading: Reading; share: number }, void, void> {
  const [last] = await store.readings({ order: 'newest', limit: 1 });
  const lastSeq = last?.reading.seq ?? 0;
  for (let afterSeq = 0; ; ) {
    const page = await store.readings({ afterSeq, limit: PAGE });
    for (const { reading } of page) yield { reading, share: reading.seq! / Math.max(1, lastSeq) };
    if (page.length < PAGE) return;
    afterSeq = page.at(-1)!.reading.seq!;
  }
}

/** `value` and what goes with it are null where the settings give no reading. */
function whatIfJson(reading: Reading, { mode, filter }: CaptureSettings, other: Reading | null): string {
  const { id, seq, unit } = reading;
  const stored = { mode: reading.mode, value: reading.value, verdict: reading.verdict };
  const { value, maximum, click, verdict, flags } = other ?? { value: null, maximum: null, click: undefined, verdict: null, flags: [] };
  return JSON.stringify({ type: 'what-if', id, seq, stored, mode, filter, unit, value, maximum, ...(click === undefined ? {} : { click }), verdict, flags });
}

function whatIfText(reading: Reading, trace: Trace, settings: CaptureSettings, other: Reading | null): string {
  const decimals = decimalsFor(displayStep(null, convertTorque(trace.evidence.transducer.capacity, 'N.m', reading.unit)));
  const told = (one: Reading): string => [
    `${one.mode} ${one.value.toFixed(decimals)} ${torqueUnit(one.unit).symbol}`,
    ...(one.verdict === 'none' ? [] : [one.verdict]), ...(one.click === undefined ? [] : [one.click ? 'click' : 'no click']),
  ].join(', ');
  const stillMs = settings.track.stableMs;
  const none = `track: no reading, ${stillMs === null ? 'it is taken on command only' : `the torque never stood still for ${stillMs / 1_000} s`}`;
  return `${reading.id}  stored ${told(reading)}; ${other === null ? none : told(other)}${filterText(settings.filter)}`;
}

interface Difference {
  readonly field: string;
  readonly stored: unknown;
  readonly derived: unknown;
}

/** Every field of the reading, verdict and flags included; only its place in the store is not derived. */
function compare(stored: Reading, derived: Reading): readonly Difference[] {
  const fields = new Set([...Object.keys(stored), ...Object.keys(derived)]) as Set<keyof Reading>;
  fields.delete('seq');
  return [...fields].map((field) => ({ field, stored: stored[field], derived: derived[field] }))
    .filter((pair) => !isDeepStrictEqual(pair.stored, pair.derived));
}

function filterText(filter: { kind: string; cutoffHz?: number; class?: number }): string {
  if (filter.kind === 'butterworth') return `, low-pass ${filter.cutoffHz} Hz`;
  return filter.kind === 'cfc' ? `, low-pass CFC ${filter.class}` : '';
}
