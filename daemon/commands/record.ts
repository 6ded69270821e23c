/** `torsiond record`: the raw bytes of one instrument, with their arrival times, until it is stopped. */
import { rm } from 'node:fs/promises';
import type { Subscription } from 'rxjs';
import { TorsiondError } from '../../shared/errors.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import type { ConnectionRecorder } from '../recording/recorder.ts';
import type { LoadedSettings } from '../settings/read-settings.ts';
import type { Settings, InstrumentSettings } from '../settings/schema.ts';
import { readGatewayNote } from '../gateway-note.ts';
import type { CommandContext, RegisterCommand } from './context.ts';
import { jitter } from './jitter.ts';
import { counted, DATA_OPTION, dataDirectory, wholeNumber } from './options.ts';
import { commandSettings } from './settings-file.ts';
import { stopped } from './stopped.ts';

interface RecordOptions {
  readonly channel: string;
  readonly out: string;
  readonly config?: string;
  readonly data?: string;
  readonly seconds?: number;
  readonly withTorque?: boolean;
  readonly tokenEnv: string;
}

export const registerRecord: RegisterCommand = (program, context, finish) => {
  program.command('record')
    .summary('records raw bytes until stopped')
    .description('Records the raw bytes of one instrument until it is stopped: through the gateway that runs on the data directory, '
      + 'which goes on capturing; without one it opens the port of the settings itself.')
    .requiredOption('--channel <id>', 'channel such as bench-a/1, or instrument such as bench-a; all its channels are recorded')
    .requiredOption('--out <file>', 'recording to write (.mcap); must not exist')
    .option('--seconds <n>', 'stop by itself after so long', wholeNumber(1, 604_800))
    .option('--with-torque', 'also the torque of each channel as messages that MCAP viewers plot, up to 1,000 a second of some 80 bytes each')
    .option('--config <file>', 'settings file; default: torsiond.yaml in the data directory')
    .option(...DATA_OPTION)
    .option('--token-env <name>', 'environment variable with a token for the gateway; when it is not set, a token is made for the time of the recording', 'TORSIOND_TOKEN')
    .action(finish(async (options: RecordOptions) => {
      if (await throughGateway(options, context)) return 0;
      const loaded = await commandSettings(options, context);
      await record(instrumentOf(loaded.settings, options.channel), loaded, options, context);
      return 0;
    }));
};

/** @returns false when no gateway runs on the data directory, or when the given settings are for another instrument than it has */
async function throughGateway(options: RecordOptions, context: CommandContext): Promise<boolean> {
  const directory = dataDirectory(options.data, context.env);
  const gateway = readGatewayNote(directory);
  if (gateway === null) return false;
  const { recordThroughGateway } = await import('./record-through-gateway.ts');
  const result = await recordThroughGateway(gateway, { ...options, dataDirectory: directory, token: context.env[options.tokenEnv] ?? null }, context);
  if (result !== 'no-channel' || options.config !== undefined) return result === 'done';
  throw new TorsiondError('CHANNEL_UNKNOWN', `the gateway at ${gateway.url} has no channel or instrument "${options.channel}"`, { where: options.channel, hint: 'See its page, or "torsiond check-config" for the settings.' });
}

/** @throws TorsiondError CHANNEL_UNKNOWN */
function instrumentOf(settings: Settings, channel: string): InstrumentSettings {
  const [id, number] = channel.split('/', 2);
  const found = settings.instruments.find((instrument) => instrument.id === id);
  if (found && (number === undefined || (Number(number) >= 1 && Number(number) <= found.channels.length))) return found;
  const known = settings.instruments.flatMap((instrument) => instrument.channels.map((_, i) => `${instrument.id}/${i + 1}`));
  throw new TorsiondError('CHANNEL_UNKNOWN', `there is no channel "${channel}"; ${known.length === 0 ? 'the settings have none' : `known are ${known.join(', ')}`}`, { where: channel });
}

async function record(
  instrument: InstrumentSettings, { settings: { station }, checks: { findDriver, driverOrigin } }: LoadedSettings, options: RecordOptions, context: CommandContext,
): Promise<void> {
  const [{ createInstrumentSet }, { linkOpener }, { createRecorder }, { noteMark }] = await Promise.all([
    import('../devices/instrument-set.ts'), import('../devices/open-link.ts'), import('../recording/recorder.ts'), import('../recording/recording-format.ts'),
  ]);
  const recorder = await createRecorder(options.out, { station, software: `torsiond ${context.version}`, driverOrigin, clock: context.clock });
  const connections = new Map<number, ConnectionRecorder>();
  const torque = options.withTorque ? await import('./record-torque.ts') : null;
  const set = createInstrumentSet([{ ...instrument, enabled: true }], {
    clock: context.clock,
    random: jitter,
    openLink: (link) => linkOpener(link),
    findDriver,
    onChunk: (_instrument, chunk, epoch) => {
      let connection = connections.get(epoch);
      if (!connection) connections.set(epoch, connection = recorder.connection(instrument, epoch));
      connection.chunk(chunk);
    },
    onNote: (_instrument, note, epoch) => recorder.mark(noteMark(instrument.id, epoch, note)),
  });
  const running = set.instruments[0]!;
  set.gaps$.subscribe(({ reason }) => recorder.mark({ kind: 'gap', instrument: instrument.id, reason }));
  torque?.recordTorque(running, recorder, context);
  let watching: Subscription | null = null;
  try {
    const failedFirst = new Promise<TorsiondError>((resolve) => {
      watching = running.info$.subscribe((info) => {
        const fault = firstFault(info);
        if (fault) resolve(fault);
        if (info.state === 'streaming') void context.complain(`Recording ${instrument.id} from ${info.link} to ${options.out}; stop with Ctrl-C.`);
        else if (info.fault && info.epoch > 0) void context.complain(`${instrument.id} is ${info.state}: ${info.fault.message}`);
      });
    });
    const timeUp = options.seconds === undefined ? new Promise<never>(() => {}) : new Promise<void>((resolve) => context.clock.after(options.seconds! * 1_000, resolve));
    running.start();
    const fault = await Promise.race([stopped(context.stop), timeUp, failedFirst, recorder.failed]);
    if (fault instanceof TorsiondError) throw fault;
  } finally {
    (watching as Subscription | null)?.unsubscribe();
    await running.stop();
    await recorder.close();
    // Nothing was ever heard: an empty recording would only stand in the way of the next attempt.
    if (recorder.counters().chunks === 0) await rm(options.out, { force: true });
  }
  if (recorder.counters().chunks === 0) throw new TorsiondError('LINK_STALLED', 'not one byte came, so there is no recording', { where: instrument.id });
  const { chunks, bytes, droppedChunks, droppedBytes, droppedTorque } = recorder.counters();
  if (droppedTorque > 0) await context.complain(`${counted(droppedTorque, 'message')} of torque did not reach the file in time; the bytes are not concerned`);
  const dropped = droppedChunks === 0 ? '' : `; ${counted(droppedChunks, 'chunk')} with ${droppedBytes} bytes did not reach the file in time and are marked in it`;
  await context.complain(`${options.out}: ${counted(chunks, 'chunk')}, ${counted(bytes, 'byte')}${dropped}`);
}

/** A port that cannot be opened at all ends the command; one that was open is waited for, for ever. */
function firstFault(info: InstrumentInfo): TorsiondError | null {
  if (info.epoch > 0 || info.fault === null) return null;
  if (info.state !== 'absent' && info.state !== 'waiting' && info.state !== 'needs-attention') return null;
  const { code, message, where, hint } = info.fault;
  return new TorsiondError(code as TorsiondError['code'], message, { ...(where === null ? {} : { where }), hint });
}
