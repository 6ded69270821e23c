/** What a person asked of a replay, as settings. */
import { Option, type Command } from 'commander';
import { CaptureMode, captureIn, type CaptureSettings, type FilterSettings, type Limits } from '../../shared/capture-settings.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { convertTorque } from '../../shared/units.ts';
import type { InputKind } from '../recording/input-file.ts';
import { TIME_UNITS, type TimeUnit } from '../recording/trace-head.ts';
import { ChannelSettings } from '../settings/schema.ts';
import { JSON_OPTION, numberFromZero, positiveNumber, torqueUnitCode, wholeNumber } from './options.ts';
import { windowEnd, type WindowEnd } from './replay-window.ts';

export interface CaptureFlags {
  readonly mode?: CaptureSettings['mode'];
  readonly unit?: string;
  readonly cutoff?: number;
  readonly order?: '2' | '4';
  readonly cfc?: '60' | '180' | '600' | '1000';
  readonly target?: number;
  readonly low?: number;
  readonly high?: number;
  readonly direction?: CaptureSettings['direction'];
  readonly pulseLast?: number;
  readonly pulseValue?: CaptureSettings['pulse']['value'];
}

export interface ReplayFlags extends CaptureFlags {
  readonly capacity?: number;
  readonly speed: number | 'max';
  readonly timeColumn?: string;
  readonly torqueColumn?: string;
  readonly timeUnit?: TimeUnit;
  readonly traceUnit?: string;
  readonly skipLines?: number;
  readonly format?: InputKind;
  readonly from?: WindowEnd;
  readonly to?: WindowEnd;
  readonly block: number;
  readonly config?: string;
  readonly json?: boolean;
}

/** Of torques on the command line, where --unit is not given. */
export const COMMAND_LINE_UNIT = 'N.m';

const option = (flags: string, text: string, parse: (value: string) => unknown): Option => new Option(flags, text).argParser(parse);

export function addReplayOptions(command: Command): Command {
  return command
    .addOption(new Option('--mode <mode>', 'how a cycle becomes a reading; needed for traces, which do not carry it').choices(CaptureMode.options))
    .addOption(option('--capacity <torque>', 'capacity of the transducer, in --unit; needed for traces, which do not carry it', positiveNumber))
    .addOption(option('--unit <code>', 'UCUM code of the torques on this command line and of the readings, for example N.m, cN.m, [lbf_av].[ft_i]; left out: N.m, and readings of a recording as they were set then', torqueUnitCode))
    .addOption(option('--cutoff <hz>', 'Butterworth low-pass before capture', positiveNumber))
    .addOption(new Option('--order <n>', 'its order; default 2').choices(['2', '4']))
    .addOption(new Option('--cfc <class>', 'low-pass of a channel frequency class instead').choices(['60', '180', '600', '1000']))
    .addOption(option('--target <torque>', 'target, with --low and --high; all in --unit', positiveNumber))
    .addOption(option('--low <torque>', 'lowest torque that is within, in --unit', numberFromZero))
    .addOption(option('--high <torque>', 'highest torque that is within, in --unit', positiveNumber))
    .addOption(new Option('--direction <way>', 'which cycles count').choices(['cw', 'ccw', 'both']))
    .addOption(option('--pulse-last <n>', 'pulses that the mean of the last ones is of', wholeNumber(1, 1_000)))
    .addOption(new Option('--pulse-value <which>', 'which torque of a run-down is the reading').choices(['highest', 'mean-of-last']))
    .addOption(option('--speed <factor>', '1 as it was, 2 twice as fast, max', (text) => (text === 'max' ? 'max' : positiveNumber(text))).default('max'))
    .addOption(option('--from <moment>', 'only what begins from there on: seconds from the beginning of the file, or a date and time', windowEnd))
    .addOption(option('--to <moment>', 'only what ends by then', windowEnd))
    .option('--time-column <name>', 'column of the time; left out: time_s, or the one column whose name begins with time')
    .option('--torque-column <name>', 'column of the torque; left out: torque_Nm, or the one column torque with its unit')
    .addOption(new Option('--time-unit <unit>', 'of the time column; left out: as its name or the row of units says, else seconds').choices(TIME_UNITS))
    .addOption(option('--trace-unit <code>', 'UCUM code of the torque column; left out: as its name or the row of units says, else N.m', torqueUnitCode))
    .addOption(option('--skip-lines <n>', 'lines of a trace before the one that names the columns', wholeNumber(0, 1_000_000)))
    .addOption(new Option('--format <kind>', 'what the files are; left out: as their content tells').choices(['mcap', 'csv', 'ndjson']))
    .addOption(option('--block <n>', 'samples per block; changes nothing but memory', wholeNumber(1, 65_536)).default(256))
    .option('--config <file>', 'settings file that lists the drivers from outside which recordings need; nothing else of it holds here')
    .option(...JSON_OPTION);
}

function filterOf(flags: CaptureFlags): FilterSettings | null {
  if (flags.cutoff !== undefined && flags.cfc !== undefined) throw new TorsiondError('USAGE', '--cutoff and --cfc are two low-passes; give one of them');
  if (flags.order !== undefined && flags.cutoff === undefined) throw new TorsiondError('USAGE', '--order belongs to --cutoff, which is not given');
  if (flags.cutoff !== undefined) return { kind: 'butterworth', order: flags.order === '4' ? 4 : 2, cutoffHz: flags.cutoff };
  if (flags.cfc !== undefined) return { kind: 'cfc', class: Number(flags.cfc) as 60 | 180 | 600 | 1000 };
  return null;
}

/** @param unit of the readings; those of the command line are in `--unit` */
function limitsOf(flags: CaptureFlags, unit: string): Limits | null {
  const { target, low, high } = flags;
  if (target === undefined && low === undefined && high === undefined) return null;
  if (target === undefined || low === undefined || high === undefined) throw new TorsiondError('USAGE', '--target, --low and --high belong together; give all three or none');
  if (low > target || target > high) throw new TorsiondError('USAGE', `low ≤ target ≤ high is needed; given are ${low}, ${target}, ${high}`);
  const converted = (torque: number): number => convertTorque(torque, flags.unit ?? COMMAND_LINE_UNIT, unit);
  return { kind: 'absolute', target: converted(target), low: converted(low), high: converted(high) };
}

/**
 * `base` with what was asked.
 * @param isArmedByHand what people did is part of the replay; else nobody ends an endless hold
 * @throws TorsiondError USAGE
 */
export function adaptCapture(base: CaptureSettings, flags: CaptureFlags, isArmedByHand = false): CaptureSettings {
  const inUnit = captureIn(flags.unit ?? base.unit, base);
  return {
    ...inUnit,
    mode: flags.mode ?? base.mode,
    direction: flags.direction ?? base.direction,
    filter: filterOf(flags) ?? base.filter,
    limits: limitsOf(flags, inUnit.unit) ?? inUnit.limits,
    pulse: { ...base.pulse, ...(flags.pulseLast === undefined ? {} : { last: flags.pulseLast }), ...(flags.pulseValue === undefined ? {} : { value: flags.pulseValue }) },
    holdMs: base.holdMs ?? (isArmedByHand ? null : 0),
  };
}

/** A recorded channel as it is to hold in the replay. */
export function adaptChannel(recorded: ChannelSettings, flags: ReplayFlags, isArmedByHand = false): ChannelSettings {
  const capture = adaptCapture(recorded.capture, flags, isArmedByHand);
  if (flags.capacity === undefined) return { ...recorded, capture };
  return { ...recorded, capture, transducer: { ...recorded.transducer, capacity: convertTorque(flags.capacity, flags.unit ?? COMMAND_LINE_UNIT, recorded.unit) } };
}

/**
 * The channel that a plain trace is taken for: torque as it stands in the file, zero included.
 * @param mode stands where none is given, as long as there is no trace to read
 */
export function traceChannel(flags: ReplayFlags): ChannelSettings {
  const settings = ChannelSettings.parse({
    unit: flags.unit ?? COMMAND_LINE_UNIT,
    zero: { kind: 'fixed', offset: 0 },
    transducer: { serialNumber: 'unknown', capacity: flags.capacity ?? 1 },
    capture: { mode: flags.mode ?? 'peak' },
  });
  return { ...settings, capture: adaptCapture(settings.capture, flags) };
}
