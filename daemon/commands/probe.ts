/** `torsiond probe PORT`: what a device on a port sends, and the settings that would read it. */
import { realpath } from 'node:fs/promises';
import { InvalidArgumentError } from 'commander';
import { TorsiondError } from '../../shared/errors.ts';
import type { Analysis } from '../probe/heard.ts';
import type { ProbedPlace } from '../probe/settings-entry.ts';
import type { RegisterCommand } from './context.ts';
import { JSON_OPTION, positiveNumber, wholeNumber } from './options.ts';

interface ProbeCommandOptions {
  /** Left out: only a device that sends nothing. */
  readonly ask?: boolean;
  readonly askWith?: string;
  readonly seconds: number;
  readonly baud?: number;
  readonly json?: boolean;
}

const SECONDS_DEFAULT = 2;
const SECONDS_MAX = 60;
const EXIT_UNKNOWN = 65;
const EXIT_SILENT = 69;
/** Printable, so that nothing but a text is sent. */
const QUESTION = /^[\x20-\x7e]{1,60}$/;

export const registerProbe: RegisterCommand = (program, context, finish) => {
  program.command('probe')
    .summary('listens on a port, asks a silent device, and proposes settings for it')
    .description('Listens on a port at the common baud rates and prints settings that would read the device, with how sure they are and why. '
      + 'A device that sends nothing is asked: a carriage return, *IDN?, a question mark, and the reading of one Modbus register; none of these gives an order or writes anything. '
      + 'Exit 65 when it cannot tell, 69 when nothing came.')
    .argument('<port>', 'serial port as "torsiond ports" names it, rfc2217://HOST:PORT of a device server that takes line settings, tcp://HOST:PORT or HOST:PORT of one that does not')
    .option('--ask', 'asks *IDN? also where the device sends by itself')
    .option('--no-ask', 'sends nothing, only listens')
    .option('--ask-with <text>', 'the question that the manual names for the torque, for example READ or READ?; sent to a silent device in place of the others but *IDN?', question)
    .option('--seconds <s>', 'how long each baud rate is listened to', seconds, SECONDS_DEFAULT)
    .option('--baud <rate>', 'tries this rate only', wholeNumber(50, 12_000_000))
    .option(...JSON_OPTION)
    .action(finish(async (port: string, options: ProbeCommandOptions) => {
      const [{ probePort, COMMON_BAUD_RATES }, { proposedSettings }, { surenessWord }, { linkOpener }, { LinkSettings: schema }] = await Promise.all([
        import('../probe/probe-port.ts'), import('../probe/settings-entry.ts'), import('../probe/heard.ts'), import('../devices/open-link.ts'), import('../settings/schema.ts'),
      ]);
      const place = placeOf(port);
      const isRateless = place.kind === 'tcp' || (place.kind === 'serial' && (await isPseudoTerminal(place.path)));
      const result = await probePort({
        clock: context.clock, signal: context.stop, listenMs: options.seconds * 1_000,
        asks: options.ask === false ? 'never' : options.ask === true ? 'always' : 'when-silent', readQuestion: options.askWith ?? null,
        baudRates: isRateless ? null : options.baud === undefined ? COMMON_BAUD_RATES : [options.baud],
        isNetwork: place.kind === 'tcp',
        openAt: ({ baudRate, parity }) => linkOpener(schema.parse(place.kind === 'tcp' ? place : { ...place, ...(baudRate === null ? {} : { baudRate, parity }) })),
        tried: (baudRate, analysis) => {
          if (!options.json && baudRate !== null) void context.complain(`${baudRate} baud: ${oneWord(analysis)}`);
        },
      });
      const { analysis, baudRate, identity } = result;
      const proposal = 'sureness' in analysis ? proposedSettings(place, { ...result, analysis }) : null;
      if (context.stop.aborted && proposal === null) {
        // It was not listened to long enough to say what comes, or that nothing comes.
        await context.complain('Stopped before there was anything to say about the port.');
        return 0;
      }
      const isRateTold = !isRateless || place.kind === 'tcp';
      if (options.json) {
        const { kind, ...details } = analysis;
        await context.print(JSON.stringify({
          type: 'probe', port, verdict: kind, baudRate, baudRateCanBeTold: isRateTold, identity, ...details,
          ...('sureness' in analysis ? { word: surenessWord(analysis.sureness), settings: proposal!.settings } : {}),
        }));
        return exitOf(analysis);
      }
      if (identity !== null) await context.complain(`The device says it is: ${identity}`);
      if (proposal !== null) {
        await context.print(proposal.yaml);
        return 0;
      }
      await context.print(analysis.kind);
      for (const reason of analysis.reasons) await context.print(`  ${reason}`);
      if (analysis.kind === 'silence') {
        await context.print(`  the device may be off, or wait for a start command${options.ask === false ? '; it was not asked (--no-ask)' : '; it did not answer what was asked'}`);
        await context.print('  if the manual names the question for its torque: --ask-with; a code scanner sends only while codes are scanned: do so, with --seconds 20');
      }
      if (place.kind === 'tcp') await context.print('  if it is a device server that takes line settings (RFC 2217): rfc2217://HOST:PORT');
      if (!isRateTold) await context.print('  the baud rate cannot be told here: this port has none (a pseudo terminal)');
      return exitOf(analysis);
    }));
};

function question(text: string): string {
  if (QUESTION.test(text)) return text;
  throw new InvalidArgumentError('One line of up to 60 printable characters is needed.');
}

function seconds(text: string): number {
  const value = positiveNumber(text);
  if (value <= SECONDS_MAX) return value;
  throw new InvalidArgumentError(`A number up to ${SECONDS_MAX} is needed.`);
}

function placeOf(port: string): ProbedPlace {
  const address = /^(?:(tcp|rfc2217):\/\/)?([^/\\]+):(\d{1,5})$/.exec(port);
  const number = Number(address?.[3]);
  if (address && number >= 1 && number <= 65_535) return { kind: address[1] === 'rfc2217' ? 'rfc2217' : 'tcp', host: address[2]!.replace(/^\[(.*)\]$/, '$1'), port: number };
  if (/^[a-z][a-z0-9+.-]*:\/\//i.test(port)) throw new TorsiondError('USAGE', `"${port}" is no port; give rfc2217://HOST:PORT, tcp://HOST:PORT, or the name of a serial port`);
  return { kind: 'serial', path: port };
}

async function isPseudoTerminal(path: string): Promise<boolean> {
  return /^\/dev\/(pts\/\d+|ttys\d{3})$/.test(await realpath(path).catch(() => path));
}

function oneWord(analysis: Analysis): string {
  return 'sureness' in analysis ? `${analysis.kind}, for example ${JSON.stringify(analysis.example)}` : analysis.kind;
}

function exitOf(analysis: Analysis): number {
  return 'sureness' in analysis ? 0 : analysis.kind === 'silence' ? EXIT_SILENT : EXIT_UNKNOWN;
}
