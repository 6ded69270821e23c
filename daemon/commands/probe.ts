/** `torsiond probe PORT`: what a device on a port sends, and the settings that would read it. */
import { realpath } from 'node:fs/promises';
import { InvalidArgumentError } from 'commander';
import type { Analysis } from '../probe/heard.ts';
import type { ProbedPlace } from '../probe/settings-entry.ts';
import type { RegisterCommand } from './context.ts';
import { JSON_OPTION, positiveNumber, wholeNumber } from './options.ts';

interface ProbeCommandOptions {
  readonly ask?: boolean;
  readonly seconds: number;
  readonly baud?: number;
  readonly json?: boolean;
}

const SECONDS_DEFAULT = 2;
const SECONDS_MAX = 60;
const EXIT_UNKNOWN = 65;
const EXIT_SILENT = 69;

export const registerProbe: RegisterCommand = (program, context, finish) => {
  program.command('probe')
    .summary('listens on a port and proposes settings for what it hears')
    .description('Listens on a serial port at the common baud rates, or on HOST:PORT, and prints settings that would read the device, with how sure they are and why. Exit 65 when it cannot tell, 69 when nothing came. Sends nothing unless --ask is given.')
    .argument('<port>', 'serial port as "torsiond ports" names it, or HOST:PORT of a device server')
    .option('--ask', 'sends a carriage return and *IDN?, which no device takes for an order')
    .option('--seconds <s>', 'how long each baud rate is listened to', seconds, SECONDS_DEFAULT)
    .option('--baud <rate>', 'listens at this rate only', wholeNumber(50, 12_000_000))
    .option(...JSON_OPTION)
    .action(finish(async (port: string, options: ProbeCommandOptions) => {
      const [{ probePort, COMMON_BAUD_RATES }, { proposedSettings }, { surenessWord }, { linkOpener }, { LinkSettings: schema }] = await Promise.all([
        import('../probe/probe-port.ts'), import('../probe/settings-entry.ts'), import('../probe/heard.ts'), import('../devices/open-link.ts'), import('../settings/schema.ts'),
      ]);
      const place = placeOf(port);
      const isRateless = place.kind === 'tcp' || (await isPseudoTerminal(port));
      const result = await probePort({
        clock: context.clock, signal: context.stop, listenMs: options.seconds * 1_000, asks: options.ask === true,
        baudRates: isRateless ? null : options.baud === undefined ? COMMON_BAUD_RATES : [options.baud],
        openAt: (baudRate) => linkOpener(schema.parse({ ...place, ...(baudRate === null ? {} : { baudRate }) })),
        tried: (baudRate, analysis) => {
          if (!options.json && baudRate !== null) void context.complain(`${baudRate} baud: ${oneWord(analysis)}`);
        },
      });
      const { analysis, baudRate, identity } = result;
      const proposal = analysis.kind === 'lines' ? proposedSettings(place, { ...result, analysis }) : null;
      const isRateTold = !isRateless || place.kind === 'tcp';
      if (options.json) {
        await context.print(JSON.stringify({
          type: 'probe', port, verdict: analysis.kind, baudRate, baudRateCanBeTold: isRateTold, identity, ...detailsOf(analysis),
          ...(analysis.kind === 'lines' ? { sureness: analysis.sureness, word: surenessWord(analysis.sureness), settings: proposal!.settings } : {}),
        }));
        return exitOf(analysis, identity);
      }
      if (identity !== null) await context.complain(`The device says it is: ${identity}`);
      if (proposal !== null) {
        await context.print(proposal.yaml);
        return 0;
      }
      await context.print(identity === null ? analysis.kind : 'answers');
      if (identity === null) for (const reason of analysis.reasons) await context.print(`  ${reason}`);
      if (identity !== null) await context.print('  it answers questions and sends nothing by itself: see the driver scpi, and name the query of its torque there');
      else if (analysis.kind === 'silence') await context.print(`  the device may be off, may wait for a start command, or may be asked (${options.ask ? 'it did not answer *IDN? either' : '--ask tries'})`);
      if (!isRateTold) await context.print('  the baud rate cannot be told here: this port has none (a pseudo terminal)');
      return exitOf(analysis, identity);
    }));
};

function seconds(text: string): number {
  const value = positiveNumber(text);
  if (value <= SECONDS_MAX) return value;
  throw new InvalidArgumentError(`A number up to ${SECONDS_MAX} is needed.`);
}

function placeOf(port: string): ProbedPlace {
  const address = /^([^/\\]+):(\d{1,5})$/.exec(port);
  const number = Number(address?.[2]);
  return address && number >= 1 && number <= 65_535 ? { kind: 'tcp', host: address[1]!.replace(/^\[(.*)\]$/, '$1'), port: number } : { kind: 'serial', path: port };
}

async function isPseudoTerminal(path: string): Promise<boolean> {
  return /^\/dev\/(pts\/\d+|ttys\d{3})$/.test(await realpath(path).catch(() => path));
}

function oneWord(analysis: Analysis): string {
  return analysis.kind === 'lines' ? `lines, for example ${JSON.stringify(analysis.example)}` : analysis.kind;
}

function detailsOf(analysis: Analysis): object {
  switch (analysis.kind) {
    case 'lines': {
      const { reasons, doubts, example, measuredRateHz } = analysis;
      return { reasons, doubts, example, measuredRateHz };
    }
    case 'binary': return { reasons: analysis.reasons, frameBytes: analysis.frameBytes, constantBytes: analysis.constantBytes };
    default: return { reasons: analysis.reasons };
  }
}

function exitOf(analysis: Analysis, identity: string | null): number {
  return analysis.kind === 'lines' ? 0 : analysis.kind === 'silence' && identity === null ? EXIT_SILENT : EXIT_UNKNOWN;
}
